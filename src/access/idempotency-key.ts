import { Problem } from '../problem-details.js';

const KEY_MAX = 255;

/**
 * The header is a structured-field string (quoted); a bare token is taken as well.
 *
 * @param address named when the key is missing
 * @throws Problem `idempotency-key-missing`, `query-invalid`
 */
export function readIdempotencyKey(header: string | string[] | undefined, address: string): string {
  const text = Array.isArray(header) ? header[0] : header;
  const key = text === undefined ? undefined : (/^"([^"\\]*)"$/.exec(text)?.[1] ?? text.trim());
  if (key === undefined || key === '') {
    throw new Problem('idempotency-key-missing', `${address} needs one`);
  }
  if (key.length > KEY_MAX) {
    throw new Problem('query-invalid', `Idempotency-Key is longer than ${KEY_MAX} characters`);
  }
  return key;
}
