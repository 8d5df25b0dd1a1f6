import { parseStrictJson } from '../formats/strict-json.js';
import { Problem } from '../problem-details.js';
import { type AdmittedRequest, readRequestBody } from './request-body.files.js';

const BODY_BYTES_MAX = 100_000;

/** @throws Problem when the body is too large or no JSON, or the sender is not let through any more. */
export async function readJsonBody(request: AdmittedRequest): Promise<unknown> {
  const bytes = await readRequestBody(request, BODY_BYTES_MAX);
  if (bytes === null) throw new Problem('body-too-large', `the limit is ${BODY_BYTES_MAX} bytes`);
  const parsed = parseStrictJson(bytes, { bytesMax: BODY_BYTES_MAX, depthMax: 8 });
  if (!parsed.ok) throw new Problem('query-invalid', `body: ${parsed.fault.message}`);
  return parsed.value;
}

/** Members of a JSON object; none of anything else. */
export function fieldsOf(body: unknown): Readonly<Record<string, unknown>> {
  return typeof body === 'object' && body !== null ? (body as Record<string, unknown>) : {};
}
