import { foldName } from './user-name.js';

/** In Unicode characters. Long rather than complicated: common practice since NIST SP 800-63B (from memory). */
export const PASSWORD_LENGTH_MIN = 12;
export const PASSWORD_LENGTH_MAX = 128;
const DISTINCT_MIN = 5;
/** Characters that have to be left once everything obvious is taken out. */
const LEFT_MIN = 8;

const OBVIOUS = [
  'drumline',
  'password',
  'passwort',
  'passphrase',
  'welcome',
  'letmein',
  'changeme',
  'qwertyuiop',
  'qwertzuiop',
  'asdfghjkl',
  'qwerty',
  'qwertz',
  'administrator',
  'admin',
  'reviewer',
  'raman',
  'receiving',
  'laboratory',
  'quality',
  'release',
  'simulated',
  '1234567890',
  '123456789',
  '12345678',
  '123456',
  '1234',
];

export interface PasswordContext {
  readonly userName: string;
  readonly printedName: string;
  /** Names of the site, its areas and systems: what somebody who knows the place tries first. */
  readonly siteWords: readonly string[];
}

/** The form that is hashed: NFC, as RFC 8265 (OpaqueString) has it; nothing else about it is changed. */
export function passwordText(password: string): string {
  return password.normalize('NFC');
}

/** True when no password of ours can be it, so that there is nothing to compare. */
export function isNoPassword(password: string): boolean {
  return password === '' || lengthOf(password) > PASSWORD_LENGTH_MAX || /\p{Cc}/u.test(password);
}

/** What is wrong with a new password, in words for the person who chose it; null when nothing is. */
export function passwordFault(password: string, context: PasswordContext): string | null {
  const length = lengthOf(password);
  if (length < PASSWORD_LENGTH_MIN) {
    return `it has ${length} characters; at least ${PASSWORD_LENGTH_MIN} are needed. Several words that do not belong together are easy to keep in mind`;
  }
  if (length > PASSWORD_LENGTH_MAX) {
    return `it has more than ${PASSWORD_LENGTH_MAX} characters, which is the most that is taken`;
  }
  if (/\p{Cc}/u.test(password)) return 'it contains a control character, which no keyboard types';
  const folded = foldName(password);
  if (folded.includes(foldName(context.userName))) return 'it contains the user name';
  if (new Set(folded).size < DISTINCT_MIN) {
    return `it is made of fewer than ${DISTINCT_MIN} different characters`;
  }
  return lengthOf(withoutObvious(folded, context)) < LEFT_MIN
    ? 'hardly anything is left of it once names of this site, its people and other obvious words are taken out'
    : null;
}

/** As JavaScript iterates text: in Unicode characters, not in halves of them. */
function lengthOf(text: string): number {
  return text.length > 10 * PASSWORD_LENGTH_MAX ? text.length : [...text].length;
}

function withoutObvious(folded: string, { printedName, siteWords }: PasswordContext): string {
  const words = [...OBVIOUS, ...[printedName, ...siteWords].flatMap(wordsOf)]
    .filter((word) => word.length >= 4)
    .sort((a, b) => b.length - a.length);
  const left = words.reduce((text, word) => text.replaceAll(word, ' '), folded);
  return left.replace(/[^\p{L}\p{N}\p{So}]/gu, '');
}

function wordsOf(text: string): string[] {
  return foldName(text).split(/[^\p{L}\p{N}]+/u);
}
