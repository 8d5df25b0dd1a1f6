import type { Instant } from '../formats/instant.js';
import type { DiscrepancyClass } from '../storage/tables.js';

/**
 * Which receipts evidence without an owner could belong to. Every part given narrows it; a part left out
 * does not. Times are those of the measurement, or bound it.
 */
export interface EvidenceScope {
  readonly areas?: readonly string[];
  readonly instruments?: readonly string[];
  readonly materials?: readonly string[];
  readonly from?: Instant;
  readonly to?: Instant;
  /** It is about what may be sent to this destination, and belongs to no receipt. */
  readonly destination?: string;
}

/** A discrepancy that an event opens. */
export interface NewDiscrepancy {
  readonly site: string;
  readonly class: DiscrepancyClass;
  /** Stable name of what it is about; one open row for each class and subject. */
  readonly subject: string;
  readonly receiptId: string | null;
  readonly containerLabel: string | null;
  readonly destination: string | null;
  /** Required while `receiptId` is null; `{}` covers every receipt. */
  readonly scope: EvidenceScope | null;
  readonly detail: string;
  readonly openedAt: Instant;
}

/** What of a receipt decides whether a scope covers it. */
export interface ScopedReceipt {
  /** Every area it was ever announced for; empty when unknown. */
  readonly areas: readonly string[];
  readonly material: string | null;
  readonly receivedAt: Instant | null;
  /** Serials of instruments that measured it. */
  readonly instruments: readonly string[];
}

/**
 * True unless the scope rules the receipt out for certain: what is not known of a receipt or an instrument
 * never rules it out (rule 10). Evidence measured before the goods receipt cannot be the receipt's; evidence
 * measured after it can, however late, so `from` rules nothing out.
 *
 * @param instrumentAreas registered instruments, serial to receiving area.
 */
export function scopeCovers(
  scope: EvidenceScope,
  receipt: ScopedReceipt,
  instrumentAreas: ReadonlyMap<string, string>,
): boolean {
  if (scope.destination !== undefined) return false;
  if (scope.to !== undefined && receipt.receivedAt !== null && scope.to < receipt.receivedAt) {
    return false;
  }
  if (scope.materials && receipt.material !== null && !scope.materials.includes(receipt.material)) {
    return false;
  }
  if (receipt.areas.length === 0) return true;
  const measuredByOne = scope.instruments?.some((s) => receipt.instruments.includes(s)) ?? false;
  if (measuredByOne) return true;
  if (scope.areas && !scope.areas.some((a) => receipt.areas.includes(a))) return false;
  return scope.instruments?.some((s) => isThere(s, receipt, instrumentAreas)) ?? true;
}

/** An instrument that is not registered may be anywhere. */
function isThere(
  serial: string,
  receipt: ScopedReceipt,
  instrumentAreas: ReadonlyMap<string, string>,
): boolean {
  const area = instrumentAreas.get(serial);
  return area === undefined || receipt.areas.includes(area);
}

/**
 * A stored scope; text that cannot be read as one covers everything, since the evidence is there whatever
 * became of its scope.
 */
export function parseScope(text: string | null): EvidenceScope {
  if (text === null) return {};
  try {
    const value: unknown = JSON.parse(text);
    return isScope(value) ? value : {};
  } catch {
    // Not JSON: covers everything, see above.
    return {};
  }
}

function isScope(value: unknown): value is EvidenceScope {
  if (typeof value !== 'object' || value === null || Array.isArray(value)) return false;
  const fields = value as Record<string, unknown>;
  const lists = [fields['areas'], fields['instruments'], fields['materials']];
  const times = [fields['from'], fields['to']];
  const { destination } = fields;
  return (
    (destination === undefined || typeof destination === 'string') &&
    lists.every(
      (l) => l === undefined || (Array.isArray(l) && l.every((x) => typeof x === 'string')),
    ) &&
    times.every((t) => t === undefined || typeof t === 'number')
  );
}

/** What a discrepancy class means and the only evidence that closes one (rule 16). */
export interface DiscrepancyRule {
  readonly title: string;
  readonly closedBy: string;
}

export const DISCREPANCY_RULES: Readonly<Record<DiscrepancyClass, DiscrepancyRule>> = {
  'not-measured': {
    title: 'A container that should be identified has no accepted result',
    closedBy: 'a measurement of the container, or a corrected receipt',
  },
  'not-expected': {
    title: 'A result names a receipt or a container that nobody announced',
    closedBy: 'an announcement that lists it',
  },
  'run-gap': {
    title: 'Run numbers of an instrument are missing',
    closedBy: 'the bundle that holds the missing runs',
  },
  'run-overlap': {
    title: 'Two bundles claim the same run numbers with other content',
    closedBy: 'a signed decision which bundle stands',
  },
  held: {
    title: 'A bundle or result is held by a finding',
    closedBy: 'a reviewer who clears or refuses it, signed',
  },
  unreadable: {
    title: 'Bytes from an instrument could not be read as a bundle',
    closedBy: 'a readable bundle for the same runs',
  },
  conflict: {
    title: 'One bundle id came with different contents',
    closedBy: 'a signed decision which content stands',
  },
  'contrary-unowned': {
    title: 'A contrary result belongs to no known receipt or container',
    closedBy: 'an announcement or a signed attribution that gives it an owner',
  },
  overdue: {
    title: 'A delivery is not confirmed in the time expected',
    closedBy: 'the confirmed delivery',
  },
  rejected: {
    title: 'The destination rejected a delivery',
    closedBy: 'a later build of the delivery that is confirmed',
  },
  parked: {
    title: 'A delivery waits for a person',
    closedBy: 'the confirmed delivery',
  },
  uncertain: {
    title: 'It is not known whether the destination has a delivery',
    closedBy: 'a read-back that answers',
  },
  absent: {
    title: 'The destination says it does not have what it accepted',
    closedBy: 'a confirmed delivery',
  },
  differs: {
    title: 'The destination holds something else than was sent',
    closedBy: 'a read-back that shows what was sent',
  },
  'duplicate-at-destination': {
    title: 'The destination holds a delivery more than once',
    closedBy: 'a read-back that shows it once',
  },
  'unknown-at-source': {
    title: 'The destination holds a message that was never sent',
    closedBy: 'a read-back that no longer shows it',
  },
  'stop-not-effective': {
    title: 'An acting destination does not show a stop',
    closedBy: 'a read-back that shows the stop or a later one',
  },
  'destination-changed': {
    title: 'A destination describes itself otherwise than it was approved',
    closedBy: 'an approval of what it says now, or a look that shows what was approved',
  },
};
