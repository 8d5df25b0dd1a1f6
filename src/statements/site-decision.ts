import type { JsonValue } from '../formats/canonical-json.js';
import { formatInstant, type Instant } from '../formats/instant.js';
import type { ShownDocument } from '../signatures/shown-document.js';
import type { SignatureSubject } from '../signatures/signature.js';
import type { AttributePlanRule, Method, PlanRule, SiteFolder } from '../site/site-folder.js';

/** What of a site names decisions. The methods are those of the registry, see `siteInForce`. */
export type DecidingSite = Pick<
  SiteFolder,
  | 'site'
  | 'environment'
  | 'decisions'
  | 'plans'
  | 'attributePlans'
  | 'methods'
  | 'instruments'
  | 'secondPerson'
>;

export const SITE_DECISION = 'site-decision';

export function decisionSubject(id: string): SignatureSubject {
  return { kind: SITE_DECISION, id, revision: 1 };
}

/**
 * A site decision as its signature binds it: its record, and everything of the site that rests on it. One more plan
 * under the same id, or another expiry of one, is another document, so that nobody's signature comes to stand for what
 * they have not seen. null when the site has no decision of this id.
 */
export function siteDecision(
  site: DecidingSite,
  id: string,
): Pick<ShownDocument, 'subject' | 'record'> | null {
  const decision = site.decisions.find((d) => d.id === id);
  if (decision === undefined) return null;
  const { rule, decidedBy, date, reason } = decision;
  const notRecomputable = site.methods.filter((m) => m.notRecomputable === id).map(versionOf);
  const record: JsonValue = {
    decision: { id, rule, decidedBy, date, reason },
    environment: site.environment,
    plans: inOrder(site.plans.filter((p) => p.decision === id).map(planContent)),
    attributePlans: inOrder(
      (site.attributePlans ?? []).filter((p) => p.decision === id).map(attributePlanContent),
    ),
    methodApprovals: inOrder(site.methods.flatMap((m) => approvalsOf(m, id))),
    methodInvalidations: inOrder(site.methods.flatMap((m) => invalidationOf(m, id))),
    outOfService: inOrder(
      site.instruments.flatMap(({ serial, outOfService = [] }) =>
        outOfService
          .filter((span) => span.decision === id)
          .map(({ from, to }) => ({ serial, from: formatInstant(from), to: textOf(to) })),
      ),
    ),
    // Left out where nothing says so: what was signed before methods could say it stays as it was.
    ...(notRecomputable.length === 0 ? {} : { notRecomputable: inOrder(notRecomputable) }),
    secondPersonOff: !site.secondPerson.required && site.secondPerson.decision === id,
  };
  return { subject: decisionSubject(id), record };
}

/** The whole document a signer is shown; nothing stands beside what the signature rests on. */
export function decisionDocument(site: DecidingSite, id: string): ShownDocument | null {
  const bound = siteDecision(site, id);
  return bound && { ...bound, context: {} };
}

function planContent(plan: PlanRule): JsonValue {
  const { material, manufacturer, supplier, rounding, positions, afterFailure, expires } = plan;
  return {
    material,
    manufacturer,
    supplier,
    plan: plan.plan,
    rounding,
    positions: positions === undefined ? null : [...positions],
    afterFailure: afterFailure ?? null,
    expires: formatInstant(expires),
  };
}

function attributePlanContent(plan: AttributePlanRule): JsonValue {
  const { material, manufacturer, supplier, attribute, level, aql, expires } = plan;
  const expiry = formatInstant(expires);
  return { material, manufacturer, supplier, attribute, level, aql, expires: expiry };
}

/** A version by its content: another threshold or reference is another approval. */
function approvalsOf(method: Method, id: string): JsonValue[] {
  return method.approvals
    .filter((a) => a.decision === id && !a.isSignature)
    .map(({ material, effectiveFrom, endsAt }) => ({
      method: method.id,
      version: method.version,
      contentDigest: method.contentDigest,
      methodEffectiveFrom: textOf(method.force?.effectiveFrom),
      material,
      effectiveFrom: textOf(effectiveFrom),
      endsAt: textOf(endsAt),
    }));
}

/** By its content: of another threshold or algorithm somebody else has to sign that nobody can recompute it. */
function versionOf({ id: method, version, contentDigest, algorithm }: Method): JsonValue {
  return { method, version, contentDigest, algorithm };
}

function invalidationOf({ id: method, version, force }: Method, id: string): JsonValue[] {
  if (force?.invalidation !== id) return [];
  return [{ method, version, invalidatedAt: textOf(force.invalidatedAt) }];
}

function textOf(instant: Instant | null | undefined): string | null {
  return instant === null || instant === undefined ? null : formatInstant(instant);
}

/** By their text: moving an entry within the file is no change of what was decided. */
function inOrder(entries: readonly JsonValue[]): JsonValue[] {
  const byText = entries.map((entry) => [JSON.stringify(entry), entry] as const);
  return byText.sort(([a], [b]) => (a < b ? -1 : 1)).map(([, entry]) => entry);
}
