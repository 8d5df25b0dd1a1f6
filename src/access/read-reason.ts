import { Problem } from '../problem-details.js';

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
