import type { InboundChange } from '../site/inbound-document.js';
import type { InboundFault } from './inbound-lines.js';

/** A body in the form of the API; what it may hold is said by its schema. */
export type InboundBody = Readonly<Record<string, unknown>>;

/** One part of a split. */
export type PartBody = Readonly<Record<string, string | readonly string[]>>;

/** What the fields of a message hold, by what they fill in. */
export type InboundValues = ReadonlyMap<string, string | readonly string[]>;

/** Puts mapped values into the form of the API. A count becomes a number only if it is one; else its text is refused by the schema. */
export function inboundBody(
  change: InboundChange,
  values: InboundValues,
  parts: readonly PartBody[],
): { readonly receiptId: string; readonly body: InboundBody } {
  const {
    receiptId,
    sequence: _,
    comesFrom,
    comesAs,
    dockCount,
    ...texts
  } = Object.fromEntries(values);
  const body: Record<string, unknown> = { ...texts };
  if (typeof dockCount === 'string') {
    body['dockCount'] = /^\d{1,5}$/.test(dockCount.trim()) ? Number(dockCount) : dockCount;
  }
  if (comesFrom !== undefined || comesAs !== undefined) {
    body['comesFrom'] = {
      ...(comesFrom === undefined ? {} : { receiptId: comesFrom }),
      ...(comesAs === undefined ? {} : { as: comesAs }),
    };
  }
  if (change === 'split') body['parts'] = parts;
  return { receiptId: String(receiptId).trim(), body };
}

type SequenceRead =
  | { readonly ok: true; readonly value: string | null }
  | { readonly ok: false; readonly fault: InboundFault };

/** The source's own counting of what it says about a receipt: a whole number of at most 18 digits. */
export function readSequence(
  value: string | readonly string[] | undefined,
  place: string,
): SequenceRead {
  if (value === undefined) return { ok: true, value: null };
  const text = String(value).trim();
  if (/^\d{1,18}$/.test(text)) return { ok: true, value: BigInt(text).toString() };
  return {
    ok: false,
    fault: {
      place: `${place}, sequence`,
      rule: 'sequence',
      message: `found "${text.slice(0, 60)}", expected a whole number of at most 18 digits`,
      remedy: 'Map what the source counts up with every message about a receipt.',
    },
  };
}
