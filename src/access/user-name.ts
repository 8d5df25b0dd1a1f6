/** Longest user name, printed name and operator id taken, in UTF-16 units. */
export const NAME_LENGTH_MAX = 100;

/**
 * The form in which names of people are compared: Unicode NFKC, then full case folding as far as JavaScript
 * has it (upper case, then lower), then NFKC again, since folding may leave marks to compose. So `Ada`, `ADA`
 * and a name typed with full-width letters are one name, and nobody gets one that only looks new.
 */
export function foldName(name: string): string {
  return name.normalize('NFKC').trim().toUpperCase().toLowerCase().normalize('NFKC');
}

/**
 * The form in which ids of operators are compared, as instruments report them: `foldName` without what leaves no trace
 * where it is read, so that no report names somebody by an id that only looks like theirs. Left out are the characters
 * of category Cf and those that Unicode calls `Default_Ignorable_Code_Point`.
 */
export function foldOperatorId(id: string): string {
  return foldName(id.replace(/[\p{Cf}\p{Default_Ignorable_Code_Point}]/gu, ''));
}

/** True for two texts that a reader takes for one: they differ in case, accents, spaces, punctuation or like signs only. */
export function looksAlike(a: string, b: string): boolean {
  return lookOf(a) === lookOf(b);
}

function lookOf(text: string): string {
  const folded = foldOperatorId(text);
  const signs = folded.normalize('NFKD').replace(/[^\p{L}\p{N}]/gu, '');
  return signs === '' ? folded : [...signs].map((sign) => LIKE.get(sign) ?? sign).join('');
}

/** Folded signs by the Latin one that they, or their capitals, look like on paper; 0 and 1 stand for o, i and l. */
const LIKE: ReadonlyMap<string, string> = new Map(
  ['0oоο', '1ilіιӏ', 'aаα', 'bвβ', 'cс', 'eеε', 'hнη', 'jј', 'kкκ', 'mмμ', 'nν', 'pрρ', 'sѕ']
    .concat(['tтτ', 'xхχ', 'yуυ', 'zζ'])
    .flatMap((alike) => [...alike].map((sign) => [sign, alike.charAt(0)] as const)),
);

/** What is wrong with a user name; null when nothing is. No spaces: it is typed, and read out on the telephone. */
export function userNameFault(name: string): string | null {
  return /^[\p{L}\p{N}][\p{L}\p{M}\p{N}._@-]{1,63}$/u.test(name.normalize('NFKC'))
    ? null
    : 'expected 2 to 64 letters, digits, dots, hyphens, underscores or @, the first a letter or digit';
}

/** What is wrong with a name that is printed or an id of an operator; null when nothing is. */
export function printedNameFault(name: string): string | null {
  if (name.trim() === '') return 'expected at least one character that shows';
  if (name.length > NAME_LENGTH_MAX) return `expected ${NAME_LENGTH_MAX} characters at most`;
  return /[\p{Cc}\p{Cf}\p{Zl}\p{Zp}\p{Cs}\p{Default_Ignorable_Code_Point}]/u.test(name)
    ? 'expected no control or invisible characters'
    : null;
}
