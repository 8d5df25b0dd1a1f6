/** Where something stands in a file, counted from one. */
export interface FilePosition {
  readonly line: number;
  readonly column: number;
}

/** One rule that a file of the site folder breaks: where, what was found, and what to do. */
export interface SiteFault extends FilePosition {
  /** Name relative to the site folder. */
  readonly file: string;
  /** Stable code of the rule. */
  readonly rule: string;
  /** Found against expected. */
  readonly message: string;
  readonly remedy: string;
}

/** A fault before it was looked up in its file: `path` are the keys and indexes that lead to it. */
export interface RuleFault {
  readonly path: DocumentPath;
  /** True when the key itself is wrong, not its value. */
  readonly onKey?: boolean;
  readonly rule: string;
  readonly message: string;
  readonly remedy: string;
}

export type DocumentPath = readonly (string | number)[];

/** One line a person can read and an editor can jump to. */
export function describeFault(fault: SiteFault): string {
  return `${fault.file}:${fault.line}:${fault.column} ${fault.rule}: ${fault.message}. ${fault.remedy}`;
}

/** Faults in reading order: by file, line, column. */
export function inReadingOrder(faults: readonly SiteFault[]): SiteFault[] {
  return [...faults].sort(
    (a, b) =>
      (a.file < b.file ? -1 : a.file > b.file ? 1 : 0) || a.line - b.line || a.column - b.column,
  );
}
