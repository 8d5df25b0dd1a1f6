import { momentOf } from './local-time.js';
import { CONDITION_TITLES } from './wording.js';

/** A condition's code where a statement's text puts it: in front, followed by what was found. */
const CODES = new RegExp(`(^|; |: )(${Object.keys(CONDITION_TITLES).join('|')}): `, 'g');

/** Instants as statements write them: UTC with six decimals. */
const INSTANT = /\b\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z/g;

/** A statement's text for people: codes as their titles, instants by the clock on the site's wall. */
export function inPlainWords(text: string, timeZone: string): string {
  const titles: Readonly<Record<string, string>> = CONDITION_TITLES;
  return text
    .replace(CODES, (_whole, before: string, code: string) => `${before}${titles[code] ?? code}: `)
    .replace(INSTANT, (instant) => momentOf(instant, timeZone).text);
}
