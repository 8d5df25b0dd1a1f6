import type { Instant } from '../formats/instant.js';
import type { InstrumentPlace } from '../site/instrument-service.js';
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
  /** What it puts in doubt, the condition of the results' brackets says by itself. */
  readonly bracket?: true;
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
  /** The instant whose day it belongs to; `openedAt` when left out. */
  readonly countsFrom?: Instant;
  /** Serial of the instrument it is about; the one its scope names when left out. */
  readonly instrument?: string;
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
 * @param places registered instruments by serial: where each is or was
 */
export function scopeCovers(
  scope: EvidenceScope,
  receipt: ScopedReceipt,
  places: ReadonlyMap<string, readonly InstrumentPlace[]>,
): boolean {
  if (scope.destination !== undefined || scope.bracket === true) return false;
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
  return scope.instruments?.some((s) => isThere(places.get(s), scope, receipt)) ?? true;
}

/** An instrument that is not registered may be anywhere; one that was moved was where it was before. */
function isThere(
  places: readonly InstrumentPlace[] | undefined,
  { to: until }: EvidenceScope,
  { areas, receivedAt }: ScopedReceipt,
): boolean {
  if (places === undefined) return true;
  return places.some(
    ({ area, from, to }) =>
      areas.includes(area) &&
      (until === undefined || from <= until) &&
      (receivedAt === null || to === null || to > receivedAt),
  );
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

/** Role of people who see to a class of discrepancies unless a person takes one over. */
export type OwnerRole = 'reviewer' | 'signer' | 'administrator' | 'mapping-approver';

const HOUR_MS = 3_600_000;

/** What a discrepancy class means, who sees to it by when, and the only evidence that closes one (rule 16). */
export interface DiscrepancyRule {
  readonly title: string;
  readonly closedBy: string;
  readonly owner: OwnerRole;
  /** Service-time target: from the day it counts on to its closing. Common practice, no source. */
  readonly targetMs: number;
}

function rule(
  title: string,
  closedBy: string,
  owner: OwnerRole,
  targetHours: number,
): DiscrepancyRule {
  return { title, closedBy, owner, targetMs: targetHours * HOUR_MS };
}

/** docs/reconciliation.md is this table; a test compares the two both ways. */
export const DISCREPANCY_RULES: Readonly<Record<DiscrepancyClass, DiscrepancyRule>> = {
  'not-measured': rule(
    'A container that should be identified has no accepted result',
    'a measurement of the container, or a corrected receipt',
    'reviewer',
    24,
  ),
  'not-expected': rule(
    'A result names a receipt or a container that nobody announced',
    'an announcement that lists it',
    'reviewer',
    24,
  ),
  'run-gap': rule(
    'Run numbers of an instrument are missing',
    'the bundle that holds the missing runs',
    'reviewer',
    8,
  ),
  'run-overlap': rule(
    'Two bundles claim the same run numbers with other content',
    'a signed decision which bundle stands',
    'signer',
    24,
  ),
  held: rule(
    'A bundle or result is held by a finding',
    'a reviewer who clears or refuses it, signed',
    'reviewer',
    24,
  ),
  unreadable: rule(
    'Bytes from an instrument could not be read as a bundle',
    'a readable bundle for the same runs',
    'reviewer',
    8,
  ),
  conflict: rule(
    'One bundle id came with different contents',
    'a signed decision which content stands',
    'signer',
    24,
  ),
  'performance-failed': rule(
    'A performance check of an instrument failed',
    'a passing check on the same standard after it, and the signed cause',
    'reviewer',
    4,
  ),
  'contrary-unowned': rule(
    'A contrary result belongs to no known receipt or container',
    'an announcement or a signed attribution that gives it an owner',
    'reviewer',
    4,
  ),
  'attribution-open': rule(
    'Somebody says that a result is of another receipt or container, and nobody signed yet',
    'a second person who signs or declines it, with what the labels show',
    'reviewer',
    8,
  ),
  'rejected-container': rule(
    'A container was rejected by signature and is still part of its receipt',
    'a change by a key of ERP that names the container and the receipt it was split off to',
    'reviewer',
    24,
  ),
  'not-sent': rule(
    'A result as it is now, or its withdrawal, was never sent where it has to be',
    'a delivery of it or of its withdrawal, or a site folder that does not ask for it',
    'administrator',
    8,
  ),
  overdue: rule(
    'A delivery is not confirmed in the time expected',
    'the confirmed delivery',
    'administrator',
    4,
  ),
  rejected: rule(
    'The destination rejected a delivery',
    'a later build of the delivery that is confirmed',
    'administrator',
    8,
  ),
  parked: rule('A delivery waits for a person', 'the confirmed delivery', 'administrator', 8),
  uncertain: rule(
    'It is not known whether the destination has a delivery',
    'a read-back that answers',
    'administrator',
    4,
  ),
  absent: rule(
    'The destination says it does not have what it accepted',
    'a confirmed delivery',
    'administrator',
    4,
  ),
  differs: rule(
    'The destination holds something else than was sent',
    'a read-back that shows what was sent',
    'administrator',
    4,
  ),
  'duplicate-at-destination': rule(
    'The destination holds a delivery more than once',
    'a read-back that shows it once',
    'administrator',
    8,
  ),
  'unknown-at-source': rule(
    'The destination holds a message that was never sent',
    'a read-back that no longer shows it, or the signature that acknowledges a lost stop',
    'administrator',
    8,
  ),
  'destination-changed': rule(
    'The destination is not the one its mapping was approved for',
    'an approval of it as it is now, or a look that shows what was approved',
    'mapping-approver',
    8,
  ),
  'stop-not-effective': rule(
    'An acting destination does not show a stop',
    'a read-back that shows the stop or a later one',
    'reviewer',
    1,
  ),
};

/** Service-time targets of a site, hours; a class that is left out keeps its default. */
export type ServiceTargets = Readonly<Record<string, number>>;

/** Milliseconds. */
export function targetOf(of: DiscrepancyClass, targets: ServiceTargets): number {
  const hours = targets[of];
  return hours === undefined ? DISCREPANCY_RULES[of].targetMs : hours * HOUR_MS;
}
