import type { IncomingMessage } from 'node:http';
import { readBody } from '../formats/read-body.files.js';
import { Problem } from '../problem-details.js';
import { readFormFields } from './form-fields.js';

const FORM_BYTES_MAX = 64 * 1024;
const FIELDS_MAX = 200;

/** Fields of a submitted form. */
export type Form = URLSearchParams;

export function isForm(contentType: string | undefined): boolean {
  return /^application\/x-www-form-urlencoded\s*(;|$)/i.test(contentType ?? '');
}

/**
 * @param mayRepeat names of fields that may be given more than once
 * @throws Problem when the body is no form, is too large, is not UTF-8, or gives another field twice
 */
export async function readForm(
  request: IncomingMessage,
  mayRepeat: readonly string[] = [],
): Promise<Form> {
  const type = request.headers['content-type'];
  if (!isForm(type)) {
    throw new Problem('body-type-unsupported', `expected a form, found ${type ?? 'nothing'}`);
  }
  const bytes = await readBody(request, FORM_BYTES_MAX);
  if (bytes === null) throw new Problem('body-too-large', `the limit is ${FORM_BYTES_MAX} bytes`);
  const read = readFormFields(bytes, mayRepeat);
  if (!read.ok) throw new Problem('query-invalid', read.message);
  if (read.fields.length > FIELDS_MAX) {
    throw new Problem('query-invalid', `the form has more than ${FIELDS_MAX} fields`);
  }
  return new URLSearchParams(read.fields.map(([name, value]) => [name, value]));
}

/** Name of the hidden field, and of the header, that carries the form token. */
export const FORM_TOKEN_FIELD = 'form-token';
export const FORM_TOKEN_HEADER = 'x-form-token';
