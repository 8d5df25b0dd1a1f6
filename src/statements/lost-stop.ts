import type { JsonValue } from '../formats/canonical-json.js';
import { formatInstant, type Instant } from '../formats/instant.js';
import { bindShown, type ShownDocument } from '../signatures/shown-document.js';
import type { Signature, SignatureManifest, SignatureSubject } from '../signatures/signature.js';
import type { StatementDraft } from './evaluate-statement.js';
import type { StopFact } from './facts.js';
import type { NotSigned } from './review-answer.js';
import type { ReviewOption } from './review-option.js';
import { type Investigated, readInvestigated, type SignedFields } from './review-request.js';

/** A stop that a destination holds and that this life of the database knows nothing of: it was sent in one before. */
export interface LostStop {
  readonly destination: string;
  /** Its own number there, else its reference, else a digest of it. */
  readonly identity: string;
  readonly reference: string | null;
  readonly revision: number | null;
  readonly heldAt: Instant | null;
  /** The message as the destination listed it. */
  readonly item: JsonValue;
}

/** The lost stops of a receipt as of now, before somebody signs that they are acknowledged. */
export interface LostStopCase {
  readonly receiptId: string;
  readonly lost: readonly LostStop[];
  /** The stop of this life that is in force; null when none is. */
  readonly standing: StopFact | null;
  /** What could be said if no stop of this life were there. */
  readonly without: Pick<StatementDraft, 'outcome' | 'conditions' | 'evidence'>;
  /** The gateway waits for a person after a restore: its lists may not be whole. */
  readonly isRecovering: boolean;
}

export function lostStopSubject({ receiptId, lost }: LostStopCase): SignatureSubject {
  const revision = Math.max(0, ...lost.map((stop) => stop.revision ?? 0));
  return { kind: 'lost-stop', id: receiptId, revision };
}

/**
 * Whether lost stops may be acknowledged: as with a stop that is known (rules 9 and 20), not while something contradicts
 * the receipt, unless a stop of this life stands over it, which has its own lift.
 */
export function lostStopOption(about: LostStopCase): ReviewOption {
  const { lost, standing, without, isRecovering } = about;
  const because: string[] = [];
  if (lost.length === 0) because.push('no destination holds a stop of it that is unknown here');
  if (isRecovering) because.push('the gateway waits after a restore; resume it first');
  if (standing === null && without.outcome === 'does-not-conform') {
    const against = without.conditions.filter((c) => c.state === 'contradicted');
    because.push(...against.map((c) => `${c.code} is contradicted: ${c.found}`));
  }
  if (because.length > 0) return { possible: false, because, effects: [] };
  return {
    possible: true,
    because: [],
    effects: [
      'it keeps the receipt from conforming no more; the statement is worked out anew, above the revisions held there',
      ...(standing === null ? [] : [`stop ${standing.stopId} stays in force until it is lifted`]),
      'a block that a person set in an acting system stays until a person ends it there',
    ],
  };
}

/** What is shown and signed: each lost stop as its destination lists it, and what the receipt rests on. */
export function lostStopDocument(about: LostStopCase): ShownDocument {
  const { possible, because, effects } = lostStopOption(about);
  const { without } = about;
  const record: JsonValue = {
    receiptId: about.receiptId,
    lost: about.lost.map(lostStopJson),
    conditions: without.conditions.map(({ code, state, found }) => ({ code, state, found })),
    evidence: without.evidence?.record ?? null,
  };
  const context: JsonValue = {
    standing: about.standing?.stopId ?? null,
    acknowledge: { possible, because: [...because], effects: [...effects] },
  };
  return { subject: lostStopSubject(about), record, context };
}

function lostStopJson(stop: LostStop) {
  return { ...stop, heldAt: stop.heldAt === null ? null : formatInstant(stop.heldAt) };
}

export function lostStopView(about: LostStopCase) {
  const shown = lostStopDocument(about);
  return {
    receiptId: about.receiptId,
    lost: about.lost.map(lostStopJson),
    /** What the receipt rests on, without the stop of this life. */
    conditions: about.without.conditions.map(({ code, state, found }) => ({ code, state, found })),
    acknowledge: lostStopOption(about),
    shown,
    sha256: bindShown(shown).sha256,
  };
}

export type LostStopView = ReturnType<typeof lostStopView> & {
  /** Of those that were acknowledged before, earliest first. */
  readonly signatures: readonly SignatureManifest[];
};

export type LostStopRequest = Investigated;

export type LostStopAnswer =
  | {
      readonly kind: 'signed';
      readonly signature: Signature;
      readonly acknowledged: readonly string[];
      readonly outcome: StatementDraft['outcome'];
      readonly revision: number;
    }
  | NotSigned;

/** @throws Problem `query-invalid` that names the field */
export function readLostStop(
  fields: Readonly<Record<string, unknown>>,
): Omit<SignedFields<'acknowledge'>, 'review'> & { readonly request: LostStopRequest } {
  const { investigated: request, userName, password } = readInvestigated(fields);
  return { request, userName, password };
}
