import { formatInstant } from '../formats/instant.js';
import type { StatementRecord } from '../records/statement-record.js';
import { validityOf } from '../signatures/shown-document.js';
import type { Signature } from '../signatures/signature.js';
import { named } from './condition.js';
import type { SiteRules, StatementFacts } from './facts.js';
import { siteDecision } from './site-decision.js';

/** What says whether a decision may be rested on. */
export type DecisionFacts = Pick<StatementFacts, 'site' | 'decisionSignatures'>;

export type DecisionState =
  | { readonly kind: 'unsigned' }
  | { readonly kind: 'signed'; readonly signature: Signature }
  /** `changed`: JSON Pointers of what reads differently than it was signed. */
  | { readonly kind: 'void'; readonly signature: Signature; readonly changed: readonly string[] };

/** How a decision stands: the latest signature of it counts, and no earlier one. */
export function decisionState(
  { site, decisionSignatures }: DecisionFacts,
  id: string,
): DecisionState {
  const signature = decisionSignatures.get(id);
  if (signature === undefined || signature.meaning !== 'approved') return { kind: 'unsigned' };
  const validity = validityOf(signature, siteDecision(site, id));
  return validity.kind === 'valid'
    ? { kind: 'signed', signature }
    : { kind: 'void', signature, changed: validity.changed };
}

/**
 * What is wrong with a decision record a statement would rest on: not there, unsigned in production, or its signature
 * is void, which counts in every environment (rule 20): somebody signed something else than what stands there now.
 *
 * @param signed where nothing may rest on it unsigned
 */
export function decisionFaults(
  facts: DecisionFacts,
  id: string,
  what: string,
  signed: 'in-production' | 'everywhere' = 'in-production',
): string[] {
  if (!facts.site.decisions.some((d) => d.id === id)) {
    return [`${what} rests on decision ${id}, which the site does not have`];
  }
  const state = decisionState(facts, id);
  switch (state.kind) {
    case 'signed':
      return [];
    case 'unsigned':
      return signed === 'everywhere' || facts.site.environment === 'production'
        ? [`${what} rests on decision ${id}, which nobody signed`]
        : [];
    case 'void': {
      const where = named(state.changed.map((pointer) => pointer || 'the whole'));
      return [
        `${what} rests on decision ${id}, which reads differently than ${state.signature.printedName} signed it, changed at ${where}`,
      ];
    }
  }
}

/** The decision records of these ids with the signature that holds, once each, in the order of the ids. */
export function shownDecisions(
  facts: DecisionFacts,
  ids: readonly string[],
): StatementRecord['decisions'] {
  return [...new Set(ids)].sort().flatMap((id) => {
    const decision = facts.site.decisions.find((d) => d.id === id);
    if (!decision) return [];
    const { rule, decidedBy, date, reason } = decision;
    const state = decisionState(facts, id);
    if (state.kind !== 'signed') return [{ id, rule, decidedBy, date, reason }];
    const { id: signatureId, printedName, at } = state.signature;
    const signature = { signatureId, printedName, at: formatInstant(at) };
    return [{ id, rule, decidedBy, date, reason, signature }];
  });
}

/**
 * Decisions that a statement may rest on: of its plans, of the second person, of the approvals for its material and of
 * methods for it that are not recomputed, of the notes that an instrument was out of service. One that is not among them counts as unsigned.
 */
export function decisionsAtStake(
  site: Pick<SiteRules, 'methods' | 'instruments' | 'secondPerson'>,
  receipt: {
    readonly material: string | null;
    readonly plan: { readonly decision: string } | null;
    readonly attributePlans?: readonly { readonly decision: string }[];
  },
): string[] {
  const approvals = site.methods
    .flatMap((m) => m.approvals)
    .filter((a) => a.material === receipt.material && !a.isSignature);
  const notRecomputable = site.methods
    .filter((m) => m.material === receipt.material)
    .flatMap((m) => m.notRecomputable ?? []);
  const spans = site.instruments.flatMap((i) => i.outOfService ?? []);
  return [
    ...new Set([
      ...(receipt.plan === null ? [] : [receipt.plan.decision]),
      ...(site.secondPerson.required ? [] : [site.secondPerson.decision]),
      ...[...(receipt.attributePlans ?? []), ...approvals, ...spans].map((one) => one.decision),
      ...notRecomputable,
    ]),
  ];
}
