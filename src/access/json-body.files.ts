import { readBody } from '../formats/read-body.files.js';
import { parseStrictJson } from '../formats/strict-json.js';
import { Problem } from '../problem-details.js';
import type { AuthenticatedRequest } from './api-key.guard.js';

/** Acts of a person or a command are short; what is larger is none. */
const BODY_BYTES_MAX = 100_000;
const DEPTH_MAX = 8;

/**
 * The JSON of a small request, read after the guard let it pass.
 *
 * @throws Problem `body-too-large`, or `query-invalid` naming what is no JSON about it
 */
export async function readJsonBody(request: AuthenticatedRequest): Promise<unknown> {
  const bytes = await readBody(request.raw, BODY_BYTES_MAX);
  if (bytes === null) throw new Problem('body-too-large', `the limit is ${BODY_BYTES_MAX} bytes`);
  const parsed = parseStrictJson(bytes, { bytesMax: BODY_BYTES_MAX, depthMax: DEPTH_MAX });
  if (!parsed.ok) throw new Problem('query-invalid', `body: ${parsed.fault.message}`);
  return parsed.value;
}

/** The members of a request's object; none of anything else. */
export async function readJsonFields(
  request: AuthenticatedRequest,
): Promise<Readonly<Record<string, unknown>>> {
  const body = await readJsonBody(request);
  return typeof body === 'object' && body !== null && !Array.isArray(body)
    ? (body as Record<string, unknown>)
    : {};
}

const REASON_MAX = 1_000;

/**
 * Why somebody acts; kept in the trail.
 *
 * @throws Problem `query-invalid` when there is none
 */
export function readReason(fields: Readonly<Record<string, unknown>>): string {
  const { reason } = fields;
  if (typeof reason !== 'string' || reason.trim() === '' || reason.length > REASON_MAX) {
    throw new Problem('query-invalid', `reason: say why, in 1 to ${REASON_MAX} characters`);
  }
  return reason.trim();
}
