import { addMs, type Instant } from '../formats/instant.js';
import type { BuildOutcome } from '../mapping/payload.js';
import type { Subject } from '../mapping/subjects.js';
import type { MappingDocument, MessageName, ReadBack } from '../site/mapping-document.js';
import type { Destination } from '../site/site-folder.js';
import type { DeliveryFault, DeliveryRow } from '../storage/tables.js';

/** What delivery needs of the mappings: the pinned revision, and payloads built by it. */
export interface DeliveryMapping {
  /** Builds outside any transaction; every reason why not is a value. */
  build(mappingDigest: string, message: MessageName, subject: Subject): Promise<BuildOutcome>;
  /** The mapping revision a delivery is pinned to. */
  forDigest(mappingDigest: string): Promise<{ readonly document: MappingDocument }>;
}

/** The names a message may have, as the delivery row keeps it. */
export function messageName(row: Pick<DeliveryRow, 'subject_kind'>): MessageName {
  return row.subject_kind;
}

/**
 * Receipts whose facts a delivery's outcome changes: a statement's own delivery is none of its conditions (rule 17),
 * nor is what a person is told over a second channel.
 */
export function factReceipts(row: Pick<DeliveryRow, 'message' | 'receipt_id'>): readonly string[] {
  const isNoFact = row.message === 'statement' || row.message === 'stop-escalation';
  return isNoFact || row.receipt_id === null ? [] : [row.receipt_id];
}

/** A file drop is created only if absent, which is as good as a key that is honoured. */
export function keyIsHonoured(destination: Destination): boolean {
  return destination.honoursKey || destination.endpoint.kind === 'file-drop';
}

/** A file drop can always be asked: the file is there or it is not. */
export function canBeAsked(destination: Destination, readBack: ReadBack | null): boolean {
  return readBack !== null || destination.endpoint.kind === 'file-drop';
}

/** A payload that breaks a rule of ours is a contract fault; anything else is the mapping's. */
export function faultOf(outcome: Extract<BuildOutcome, { ok: false }>): DeliveryFault {
  const isContract = outcome.problems.some(
    ({ code }) => code === 'contract' || code === 'permits-without-conforms',
  );
  return isContract ? 'contract' : 'mapping';
}

/**
 * True while the destination still knows a key by which something was first sent then: rule 26 lets nothing be sent
 * again under a key that may be forgotten.
 *
 * @param firstSentAt null when it was never sent
 */
export function keyHoldsAt(
  destination: Destination,
  firstSentAt: Instant | null,
  at: Instant,
): boolean {
  if (!keyIsHonoured(destination)) return false;
  const { keyLifetimeMs } = destination;
  if (keyLifetimeMs === undefined || firstSentAt === null) return true;
  // The clock was set back since, and nobody can say how long ago that was.
  if (firstSentAt > at) return false;
  // Until the last byte of it may arrive.
  return addMs(at, destination.timing.deadlineMs) < addMs(firstSentAt, keyLifetimeMs);
}
