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
  return /[\p{Cc}\p{Cf}\p{Zl}\p{Zp}\p{Cs}]/u.test(name)
    ? 'expected no control or invisible characters'
    : null;
}
