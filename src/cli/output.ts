import { visibleLines } from '../formats/visible-text.js';

/** Exit codes of every command: fine, found problems, wrong usage. */
export const EXIT = { fine: 0, problems: 1, usage: 2 } as const;

/** The one machine-readable line, last on stdout. */
export function printJsonLine(value: unknown): void {
  process.stdout.write(`${JSON.stringify(value)}\n`);
}

/** Lines for people. A label in them reorders nothing, hides nothing and steers no terminal: `visibleText` says how. */
export function printText(text: string): void {
  printDocument(visibleLines(text));
}

/** A document as it came, for whoever keeps it: some of its forms are read by programs. */
export function printDocument(text: string): void {
  process.stdout.write(text.endsWith('\n') ? text : `${text}\n`);
}

/** Progress and remarks go to stderr, so that stdout stays parseable. */
export function progress(text: string): void {
  process.stderr.write(`${text}\n`);
}
