import { ERRORS, type ErrorCode } from './error-registry.js';

/**
 * A configuration the service cannot start or save with. Expected failures elsewhere are values; this one
 * is thrown because the only thing to do is to stop and say what to change.
 */
export class Misconfigured extends Error {
  readonly code: ErrorCode;
  readonly found: string;

  constructor(code: ErrorCode, options: { found: string; cause?: unknown }) {
    const entry = ERRORS[code];
    super(
      `${entry.meaning} ${foundText(options.found)}${entry.remedy}`,
      options.cause === undefined ? undefined : { cause: options.cause },
    );
    this.name = 'Misconfigured';
    this.code = code;
    this.found = options.found;
  }
}

/**
 * Another process was started with another site folder: nothing may be judged by this one any more. A race that no value
 * could carry through every rule: who asked is told to ask again, of a process that runs by it.
 */
export class SiteFolderOutdated extends Error {
  constructor(own: string, activated: string) {
    super(`this process runs by the site folder ${own}, and ${activated} was activated since`);
    this.name = 'SiteFolderOutdated';
  }
}

/** One finding is a sentence; several keep their lines, and what to do begins a new one. */
function foundText(found: string): string {
  const text = found.trim();
  return text.includes('\n') ? `Found: ${text}\n` : `Found: ${text.replace(/\.$/, '')}. `;
}
