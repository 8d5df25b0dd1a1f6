import { sha256 } from '../formats/canonical-json.js';

/** Leaves room for endings and for a temporary name within the 255 bytes of common file systems. */
const LENGTH_MAX = 160;
const DIGEST_LENGTH = 32;

/** Names that Windows keeps for devices, with or without an ending. */
const RESERVED = /^(?:con|prn|aux|nul|com[0-9]|lpt[0-9])(?:\.|$)/i;

/**
 * An id as file name, without ending, on every common file system: letters, digits, `_`, `-` and inner
 * dots stay, everything else becomes `%XX` of its UTF-8 bytes, so different ids have different names. An id that
 * grows too long is cut and ends in `~` and the first 32 digits of its SHA-256.
 */
export function safeFileName(id: string): string {
  const encoded = [...Buffer.from(id, 'utf8')].map(encodedByte).join('');
  const name = RESERVED.test(encoded) || /^\.|\.$/.test(encoded) ? escapedEnds(encoded) : encoded;
  if (name !== '' && name.length <= LENGTH_MAX) return name;
  const cut = name.slice(0, LENGTH_MAX - DIGEST_LENGTH - 1).replace(/%[0-9A-F]?$/, '');
  return `${cut}~${sha256(id).slice(0, DIGEST_LENGTH)}`;
}

function encodedByte(byte: number): string {
  const character = String.fromCharCode(byte);
  return /[A-Za-z0-9_.-]/.test(character) ? character : percent(byte);
}

function escapedEnds(name: string): string {
  const first = percent(name.charCodeAt(0));
  const rest = name.slice(1).replace(/\.$/, percent('.'.charCodeAt(0)));
  return first + rest;
}

function percent(byte: number): string {
  return `%${byte.toString(16).toUpperCase().padStart(2, '0')}`;
}
