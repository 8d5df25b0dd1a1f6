import { parseStrictJson } from '../formats/strict-json.js';
import { Problem } from '../problem-details.js';
import { type AdmittedRequest, readRequestBody } from './request-body.files.js';

/**
 * A request body that is one JSON object; keys are looked up by name only.
 *
 * @throws Problem `body-too-large`, or `query-invalid` when it is nothing of the kind; what `admitAgain` throws
 */
export async function readJsonObject(
  request: AdmittedRequest,
  bytesMax: number,
): Promise<Readonly<Record<string, unknown>>> {
  const bytes = await readRequestBody(request, bytesMax);
  if (bytes === null) throw new Problem('body-too-large', `the limit is ${bytesMax} bytes`);
  const parsed = parseStrictJson(bytes, { bytesMax, depthMax: 8 });
  if (!parsed.ok) throw new Problem('query-invalid', `body: ${parsed.fault.message}`);
  const { value } = parsed;
  if (typeof value !== 'object' || value === null || Array.isArray(value)) {
    throw new Problem('query-invalid', 'body: expected one JSON object');
  }
  return Object.assign(Object.create(null) as Record<string, unknown>, value);
}
