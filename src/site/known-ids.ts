import type { DocumentPath, RuleFault } from './site-fault.js';

/**
 * Ids written anywhere in a `site.yaml`, in entries that broke the schema too, so that a broken entry is
 * not also reported as unknown.
 */
export interface KnownIds {
  readonly areas: ReadonlySet<string>;
  readonly materials: ReadonlySet<string>;
  /** Decision id to the rule it decides; null when that part could not be read. */
  readonly decisions: ReadonlyMap<string, string | null>;
}

/** A decision that is not there, or that is about something else. */
export function unknownDecision(
  known: KnownIds,
  id: string,
  path: DocumentPath,
  rule: string,
): RuleFault[] {
  const decides = known.decisions.get(id);
  if (decides === undefined) return unknownId(new Set(), id, path, 'decision');
  if (decides === null || decides === rule) return [];
  return [
    {
      path,
      rule: 'decision-of-other-rule',
      message: `decision ${id} is about ${decides}, expected one about ${rule}`,
      remedy: 'Name the decision that allows this.',
    },
  ];
}

export function unknownId(
  known: ReadonlySet<string>,
  id: string,
  path: DocumentPath,
  what: string,
): RuleFault[] {
  if (known.has(id)) return [];
  return [
    {
      path,
      rule: `unknown-${what}`,
      message: `${what} ${JSON.stringify(id)} is not in this file`,
      remedy: `Add the ${what}, or correct the spelling (case counts).`,
    },
  ];
}
