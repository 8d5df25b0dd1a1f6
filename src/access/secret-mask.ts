import type { SecretReference } from '../site/site-folder.js';

/**
 * Takes secrets out of text that came from outside, before it is stored or logged. A destination may echo what it was
 * sent, and in any wrapping: as it is, percent-encoded (also twice), JSON- or C-escaped (also a string within a
 * string), XML-escaped, base64 of any text around it (RFC 4648, both alphabets, folded lines), hex, UTF-16. What is
 * not recognised: a part of a secret, and encodings beyond these.
 */
export type Mask = (text: string) => string;

/** What delivery needs of the secrets of the process. */
export interface DestinationSecrets {
  /** The bearer token under a reference, as it is now; throws when it cannot be used, naming the reference alone. */
  bearer(reference: SecretReference): string;
  /** The destination refused it: it is read again before its next use. */
  refused(reference: SecretReference): void;
  readonly mask: Mask;
}

export const MASKED = '[secret]';

/** Zero bytes and folds that may stand between any two characters. */
const FILL = '[\\0\\r\\n]{0,4}';
/** Shorter pieces of base64 stand in too many other texts. */
const BASE64_LENGTH_MIN = 8;

/** Every quantifier is bounded, so that no answer can make the search slow. */
export function maskOf(secrets: readonly string[]): Mask {
  const forms = [...new Set(secrets)].filter((secret) => secret !== '').flatMap(formsOf);
  if (forms.length === 0) return (text) => text;
  const pattern = new RegExp(forms.join('|'), 'gi');
  return (text) => text.replace(pattern, MASKED);
}

/** As a mask of bytes in any encoding that holds ASCII; the very same bytes when nothing was found. */
export function maskBytes(mask: Mask, bytes: Uint8Array): Uint8Array {
  const view = Buffer.from(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const text = view.toString('latin1');
  const masked = mask(text);
  return masked === text ? bytes : Buffer.from(masked, 'latin1');
}

function formsOf(secret: string): string[] {
  const bytes = Buffer.from(secret, 'utf8');
  const base64 = [0, 1, 2].map((before) => base64Core(bytes, before));
  return [
    [...secret].map(anyFormOf).join(FILL),
    ...base64
      .filter((core) => core.length >= BASE64_LENGTH_MIN)
      .map((core) => [...core].map(base64FormOf).join(FILL)),
    [...bytes.toString('hex')].join(FILL),
  ];
}

/** The characters of a base64 text that only the secret decides, when so many bytes stand before it, modulo three. */
function base64Core(secret: Buffer, before: number): string {
  const text = Buffer.concat([Buffer.alloc(before), secret]).toString('base64');
  const isWhole = (before + secret.length) % 3 === 0;
  const end = isWhole ? text.length : text.replace(/=+$/, '').length - 1;
  return text.slice(Math.ceil((before * 8) / 6), end);
}

function base64FormOf(character: string): string {
  if (character === '+' || character === '-') return `(?:${anyFormOf('+')}|-)`;
  if (character === '/' || character === '_') return `(?:${anyFormOf('/')}|_)`;
  return character;
}

const XML_NAMES: Readonly<Record<string, string>> = {
  '&': 'amp',
  '<': 'lt',
  '>': 'gt',
  '"': 'quot',
  "'": 'apos',
};

/** One character in every form it may take by itself, so that forms may be mixed within a secret. */
function anyFormOf(character: string): string {
  const point = character.codePointAt(0) ?? 0;
  const units = Array.from({ length: character.length }, (_, at) => character.charCodeAt(at));
  const bytes = [...Buffer.from(character, 'utf8')];
  const forms = [
    bytes.map((byte) => `%(?:25){0,4}${hex(byte, 2)}`).join(''),
    units.map((unit) => `\\\\{1,8}u${hex(unit, 4)}`).join(''),
    `&(?:amp;){0,2}#0{0,6}${point};`,
    `&(?:amp;){0,2}#x0{0,6}${hex(point, 1)};`,
  ];
  if (point > 0x7f) forms.push(bytes.map((byte) => literal(String.fromCharCode(byte))).join(''));
  else forms.push(`\\\\{1,8}x${hex(point, 2)}`);
  const name = XML_NAMES[character];
  if (name !== undefined) forms.push(`&(?:amp;){0,2}${name};`);
  if (character === ' ') forms.push('\\+');
  // Last, since it is the beginning of other forms; escaped by as many backslashes as strings it was put into.
  forms.push(`\\\\{0,8}${literal(character)}`);
  return `(?:${forms.join('|')})`;
}

function literal(text: string): string {
  return text.replace(/[\\^$.*+?()[\]{}|/-]/g, '\\$&');
}

function hex(value: number, digits: number): string {
  return value.toString(16).padStart(digits, '0');
}
