import { Problem } from '../problem-details.js';
import type { DeliveryAct } from '../storage/tables.js';
import type { ActAnswer, NamedDelivery } from './delivery-act-answer.js';

/** Deliveries that one request may name. */
export const BULK_MAX = 100;
const ID_LENGTH_MAX = 100;

/** @throws Problem `query-invalid` when it is missing */
export function readVersion(fields: Readonly<Record<string, unknown>>): string {
  const { version } = fields;
  if (typeof version !== 'string' || !/^[0-9a-f]{64}$/.test(version)) {
    throw new Problem('query-invalid', 'version: expected the version of the delivery as shown');
  }
  return version;
}

/** @throws Problem `query-invalid` when it is no act */
export function readAct(text: unknown): DeliveryAct {
  if (text === 'resend' || text === 'rebuild' || text === 'retire') return text;
  throw new Problem('query-invalid', 'act: expected resend, rebuild or retire');
}

/** @throws Problem `query-invalid` when it is no list of deliveries with their versions, or too long */
export function readNamedDeliveries(value: unknown): readonly NamedDelivery[] {
  if (!Array.isArray(value) || value.length === 0 || value.length > BULK_MAX) {
    throw new Problem('query-invalid', `deliveries: expected 1 to ${BULK_MAX} of {id, version}`);
  }
  return value.map((one: unknown, index) => {
    const { id, version } = (one ?? {}) as Readonly<Record<string, unknown>>;
    if (typeof id !== 'string' || id === '' || id.length > ID_LENGTH_MAX) {
      throw new Problem('query-invalid', `/deliveries/${index}/id: expected a delivery's id`);
    }
    return { id, version: readVersion({ version }) };
  });
}

/** What an act is answered with when it was not done; null when it was. */
export function actProblem(answer: ActAnswer, id: string): Problem | null {
  switch (answer.kind) {
    case 'done':
      return null;
    case 'unknown':
      return new Problem('not-found', `no delivery has the id ${id}`);
    case 'changed':
      return new Problem('delivery-changed', answer.found);
    case 'refused':
      return new Problem('delivery-act-refused', `${answer.found}. ${answer.remedy}`, {
        refusal: answer.code,
        remedy: answer.remedy,
      });
  }
}
