/** The numbers of a finding as its row holds them. Rows of earlier versions have none, or other names. */
export function readNumbers(text: string | null): Readonly<Record<string, string>> {
  if (text === null) return {};
  const value = JSON.parse(text) as unknown;
  if (typeof value !== 'object' || value === null) return {};
  return Object.fromEntries(Object.entries(value).map(([name, number]) => [name, String(number)]));
}

export interface ShownNumbers {
  /** What was found and measured, by name. */
  readonly numbers: Readonly<Record<string, string>>;
  /** What it was held against, and where the site has it from; null for rules without a limit. */
  readonly limit: { readonly value: string; readonly source: string } | null;
}

/** Numbers with the limit and its source apart, as people and programs are shown them. */
export function shownNumbers(all: Readonly<Record<string, string>> = {}): ShownNumbers {
  const { limit, limitSource, ...numbers } = all;
  if (limit === undefined || limitSource === undefined) return { numbers: all, limit: null };
  return { numbers, limit: { value: limit, source: limitSource } };
}
