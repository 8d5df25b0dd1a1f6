import { formatInstant, type Instant } from '../formats/instant.js';
import { bindShown } from '../signatures/shown-document.js';
import type { SignatureManifest, SignatureSubject } from '../signatures/signature.js';
import type { InspectedAttribute } from '../site/site-folder.js';
import type { AttributeInspectionRow } from '../storage/tables.js';
import {
  type Inspection,
  isRejected,
  judgeInspections,
  type ReceiptAttributePlan,
} from './attribute-inspection.js';

/** What somebody reports to have counted. */
export interface InspectionReport {
  readonly attribute: InspectedAttribute;
  /** Containers looked at, and how many of them were nonconforming. */
  readonly inspected: number;
  readonly nonconforming: number;
  /** Name of who looked. */
  readonly inspectedBy: string;
  /** When, as it was written and as an instant. */
  readonly inspectedAt: { readonly text: string; readonly instant: Instant };
}

/** A receipt and what is known of its inspections. */
export interface InspectedReceipt {
  readonly receiptId: string;
  readonly revision: number;
  readonly status: string;
  readonly receivedAt: Instant | null;
  readonly containers: number;
  /** As they stand now, see `plansStanding`. */
  readonly plans: readonly ReceiptAttributePlan[];
  readonly entries: readonly AttributeInspectionRow[];
  /** The same entries with what lifted them. */
  readonly counted: readonly Inspection[];
}

export function inspectionSubject(of: InspectedReceipt): SignatureSubject {
  return { kind: 'inspection', id: of.receiptId, revision: of.revision };
}

/** What whoever reports an inspection is shown, and signs: what is asked for and what was entered so far. */
export function inspectionsView(of: InspectedReceipt) {
  const { receiptId, revision, containers, plans, entries, counted } = of;
  return {
    receiptId,
    revision,
    containers,
    plans: plans.map((plan) => {
      const { attribute, level, aql, decision } = plan;
      const verdict = judgeInspections(plan, containers, counted);
      const asked = 'plan' in verdict ? verdict.plan : null;
      return {
        attribute,
        level,
        aql,
        decision,
        n: asked?.n ?? null,
        accept: asked?.accept ?? null,
        reject: asked?.reject ?? null,
        state: verdict.state,
      };
    }),
    inspections: entries.map((entry, index) => ({
      id: entry.id,
      attribute: entry.attribute,
      inspected: entry.inspected,
      nonconforming: entry.nonconforming,
      inspectedBy: entry.inspected_by,
      inspectedAt: entry.inspected_text,
      reportedBy: entry.reported_by,
      reportedAt: formatInstant(entry.at),
      signatureId: entry.signature_id,
      // Left out where there is none, so that what was signed before reads as it did.
      ...liftMember(counted[index]),
    })),
  };
}

function liftMember(counted: Inspection | undefined) {
  return counted?.lift === undefined ? {} : { lift: { ...counted.lift } };
}

/** What lifting a count would do, and why it cannot be lifted. */
export interface LiftOption {
  readonly possible: boolean;
  readonly because: string | null;
  readonly effects: readonly string[];
}

/**
 * Whether a count may be lifted as entered wrongly: it is one that rejects, and nobody lifted it before. Lifted, it counts
 * for nothing, so the inspection is entered again.
 */
export function liftOption(of: InspectedReceipt, inspectionId: string): LiftOption {
  const count = of.counted.find(({ id }) => id === inspectionId);
  const why = whyNotLifted(of, count, inspectionId);
  if (why !== null || count === undefined) return { possible: false, because: why, effects: [] };
  return {
    possible: true,
    because: null,
    effects: [
      `the count of ${count.nonconforming} of ${count.inspected} counts for nothing; what was inspected of its ${count.attribute} is entered again`,
      'a stop stays until it is lifted by its own act',
    ],
  };
}

function whyNotLifted(
  { receiptId, plans, containers, entries }: InspectedReceipt,
  count: Inspection | undefined,
  inspectionId: string,
): string | null {
  if (count === undefined) return `receipt ${receiptId} has no inspection ${inspectionId}`;
  if (count.lift?.isValid === true) return 'it was lifted before';
  if (count.lift !== undefined) return 'what lifts it is not as it was signed';
  const entry = entries.find(({ id }) => id === inspectionId);
  const rejects = count.rejected || isRejected(plans, containers, count);
  return entry !== undefined && rejects ? null : 'no plan rejects by it';
}

export function liftDocument(of: InspectedReceipt, inspectionId: string) {
  const { possible, because, effects } = liftOption(of, inspectionId);
  return bindShown({
    subject: inspectionSubject(of),
    record: { lifted: inspectionId, ...inspectionsView(of) },
    context: { lift: { possible, because, effects: [...effects] } },
  });
}

/** A count with what lifting it would sign. */
export function inspectionLiftView(of: InspectedReceipt, inspectionId: string) {
  const bound = liftDocument(of, inspectionId);
  return {
    receiptId: of.receiptId,
    inspection: inspectionsView(of).inspections.find(({ id }) => id === inspectionId) ?? null,
    lift: liftOption(of, inspectionId),
    shown: JSON.parse(bound.text) as { readonly record: unknown },
    sha256: bound.sha256,
  };
}

export type InspectionLiftView = ReturnType<typeof inspectionLiftView>;

export type InspectionsView = ReturnType<typeof inspectionsView> & {
  readonly sha256: string;
  /** Why nothing can be entered; null when it can. */
  readonly closed: string | null;
  /** Ids of the entries that reject, and may be lifted where one was entered wrongly. */
  readonly liftable: readonly string[];
  /** Of the entries and of what lifted one, by their `signatureId`. */
  readonly signatures: readonly SignatureManifest[];
};

export function shownInspections(of: InspectedReceipt) {
  return bindShown({ subject: inspectionSubject(of), record: inspectionsView(of), context: null });
}

/** Why nothing can be counted of this receipt any more; null when it can. */
export function whyClosed(of: InspectedReceipt): string | null {
  return of.status === 'open' ? null : `the receipt was ${of.status}`;
}

/** Why this cannot have been counted of this receipt; null when it can. `latest` is the last instant taken for now. */
export function whyNotReported(
  report: InspectionReport,
  of: InspectedReceipt,
  latest: Instant,
): string | null {
  const { attribute, inspected, nonconforming, inspectedAt } = report;
  const closed = whyClosed(of);
  if (closed !== null) return closed;
  if (!of.plans.some((plan) => plan.attribute === attribute)) {
    return `no plan asks for an inspection of its ${attribute}`;
  }
  if (inspected > of.containers) {
    return `${inspected} containers were inspected, the receipt lists ${of.containers}`;
  }
  if (nonconforming > inspected) {
    return `${nonconforming} nonconforming of ${inspected} inspected cannot be`;
  }
  if (inspectedAt.instant > latest) return `inspected at ${inspectedAt.text}, which is to come`;
  if (of.receivedAt !== null && inspectedAt.instant < of.receivedAt) {
    return `inspected at ${inspectedAt.text}, before the goods were received at ${formatInstant(of.receivedAt)}`;
  }
  return null;
}
