/** Exit codes of every command: fine, found problems, wrong usage. */
export const EXIT = { fine: 0, problems: 1, usage: 2 } as const;

/** The one machine-readable line, last on stdout. */
export function printJsonLine(value: unknown): void {
  process.stdout.write(`${JSON.stringify(value)}\n`);
}

export function printText(text: string): void {
  process.stdout.write(text.endsWith('\n') ? text : `${text}\n`);
}

/** Progress and remarks go to stderr, so that stdout stays parseable. */
export function progress(text: string): void {
  process.stderr.write(`${text}\n`);
}
