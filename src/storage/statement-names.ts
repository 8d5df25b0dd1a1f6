/** More texts than the service has queries; past it they run without a name, as if they were not prepared. */
const NAMES_MAX = 1_000;

const NAMES = new Map<string, string>();

/** Says that this text runs again and again: a server that keeps statements by name plans it once a connection. */
export function keepStatement(text: string): void {
  if (NAMES.has(text) || NAMES.size >= NAMES_MAX) return;
  NAMES.set(text, `drumline ${NAMES.size + 1}`);
}

/** The name a text is kept under in this process; undefined for one that nobody prepared. */
export function statementName(text: string): string | undefined {
  return NAMES.get(text);
}
