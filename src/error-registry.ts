/**
 * Every error the service can report: what it means, what to do, the HTTP status it answers with and the
 * level it is logged at. docs/errors.md is this table; a test compares the two both ways.
 */
export interface ErrorEntry {
  readonly meaning: string;
  readonly remedy: string;
  /** null when it never answers a request. */
  readonly status: number | null;
  readonly level: 'info' | 'warn' | 'error' | 'fatal';
}

function entry(
  meaning: string,
  remedy: string,
  status: number | null,
  level: ErrorEntry['level'],
): ErrorEntry {
  return { meaning, remedy, status, level };
}

export const ERRORS = {
  'database-in-use': entry(
    'Another process owns this data folder.',
    'Stop the other gateway, or let the command reach it through its API by leaving it running.',
    null,
    'fatal',
  ),
  'database-newer': entry(
    'The database was migrated by a later version of Drumline.',
    'Start the version that migrated it, or restore a backup made before the upgrade.',
    null,
    'fatal',
  ),
  'configuration-invalid': entry(
    'A setting is missing, unknown or out of range.',
    'Correct the setting named and start again.',
    null,
    'fatal',
  ),
  'site-folder-invalid': entry(
    'The site folder breaks a rule.',
    'Correct the file and line named; `drumline mapping check` reports all faults at once.',
    null,
    'fatal',
  ),
  'unsigned-decision-in-production': entry(
    'A production environment rests on a site decision that nobody signed.',
    'Have the decision signed, or run the site as validation or training.',
    null,
    'fatal',
  ),
  'secret-missing': entry(
    'A secret that the configuration refers to is not there.',
    'Set the environment variable or file named.',
    null,
    'fatal',
  ),
} as const satisfies Record<string, ErrorEntry>;

export type ErrorCode = keyof typeof ERRORS;
