import { canonicalDigest, type Sha256 } from '../formats/canonical-json.js';
import { formatInstant } from '../formats/instant.js';
import type { AttemptRow, DeliveryActRow, DeliveryRow } from '../storage/tables.js';
import type { Standing } from './delivery-standing.js';
import type { ActDecision, Refusal } from './stopped-delivery.js';

/** What an act would do now, or why it may not be done. */
export type PossibleAct =
  | { readonly can: true; readonly does: 'send' | 'ask-first' | 'rebuild' | 'retire' }
  | {
      readonly can: false;
      readonly code: Refusal;
      readonly found: string;
      readonly remedy: string;
    };

/** A delivery as a person sees it who decides about it. */
export interface ShownDelivery {
  readonly id: string;
  /** Of what is shown here: an act names it, and is refused once it reads differently. */
  readonly version: Sha256;
  readonly destination: string;
  readonly message: string;
  readonly subjectId: string;
  readonly revision: number;
  readonly receiptId: string | null;
  readonly build: number;
  readonly state: string;
  readonly fault: string | null;
  readonly reason: string | null;
  readonly standing: Standing;
  readonly attempts: number;
  readonly createdAt: string;
  readonly idempotencyKey: string;
  /** The destination's own number, once it gave one. */
  readonly destinationReference: string | null;
  /** Digest of the mapping it was built with, and of the one a rebuild would use; null where that maps no such message. */
  readonly mapping: string;
  readonly mappingInForce: string | null;
  readonly resend: PossibleAct;
  readonly rebuild: PossibleAct;
  readonly retire: PossibleAct;
}

export interface ShownAttempt {
  readonly kind: string;
  readonly number: number;
  readonly startedAt: string;
  readonly finishedAt: string | null;
  readonly outcome: string | null;
  readonly status: number | null;
  readonly detail: string | null;
}

export interface ShownAct {
  readonly act: string;
  readonly done: string;
  readonly madeDeliveryId: string | null;
  /** Printed name, or the account's id where there is none. */
  readonly actor: string;
  readonly reason: string;
  readonly at: string;
}

/**
 * Digest of what a decision about a delivery rests on. A stop that cannot get through is tried again all the time:
 * its tries are left out, or nobody could act on what they see.
 */
export function versionOf(
  row: DeliveryRow,
  of: { readonly latestBuild: number; readonly mappingInForce: string | null },
): Sha256 {
  const { id, fault, state, fence, attempts } = row;
  const tries = row.message === 'stop' ? {} : { state, fence, attempts };
  return canonicalDigest({ id, fault, ...tries, ...of });
}

export function possibleAct(decision: ActDecision): PossibleAct {
  if (decision.kind === 'refused') {
    const { code, found, remedy } = decision;
    return { can: false, code, found, remedy };
  }
  return { can: true, does: decision.kind === 'ask' ? 'ask-first' : decision.kind };
}

export function shownAttempt(row: AttemptRow): ShownAttempt {
  return {
    kind: row.kind,
    number: row.number,
    startedAt: formatInstant(row.started_at),
    finishedAt: row.finished_at === null ? null : formatInstant(row.finished_at),
    outcome: row.outcome,
    status: row.status,
    detail: row.detail,
  };
}

export function shownAct(row: DeliveryActRow & { readonly printed_name: string | null }): ShownAct {
  return {
    act: row.act,
    done: row.done,
    madeDeliveryId: row.made_delivery_id,
    actor: row.printed_name ?? row.actor,
    reason: row.reason,
    at: formatInstant(row.at),
  };
}
