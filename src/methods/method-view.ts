import { formatInstant, type Instant } from '../formats/instant.js';
import type { SignatureManifest } from '../signatures/signature.js';
import { isInvalidated, whyNotInForce } from '../site/method-force.js';
import type { Method } from '../site/site-folder.js';
import type { MethodContent, MethodEvent, RegisteredVersion } from './registered-method.js';

/** `proposed`: nobody put it in force yet. `scheduled`: it comes into force later. */
export type MethodState =
  | 'proposed'
  | 'scheduled'
  | 'in-force'
  | 'not-listed'
  | 'retired'
  | 'invalidated';

/** A version as the API and the pages list it. Instants are RFC 3339 in UTC. */
export interface MethodSummary {
  readonly id: string;
  readonly version: string;
  readonly title: string;
  readonly material: string;
  readonly mode: string;
  readonly state: MethodState;
  readonly effectiveFrom: string | null;
  readonly retiredAt: string | null;
  readonly invalidatedAt: string | null;
  /** Decision record or signature that found it wrong. */
  readonly invalidation: string | null;
  /** Decision by which its results count although they are not recomputed; null where none says so. */
  readonly notRecomputable: string | null;
  readonly notListed: readonly { readonly from: string | null; readonly to: string | null }[];
  readonly inForceBeside: readonly string[];
  readonly approvals: readonly {
    readonly material: string;
    readonly by: 'decision' | 'signature';
    readonly id: string;
    readonly effectiveFrom: string | null;
    readonly endsAt: string | null;
  }[];
  /** As bundles name its content. */
  readonly contentDigest: string;
  readonly referenceSha256: string | null;
  readonly source: 'site-folder' | 'api';
  readonly proposedBy: string;
  readonly proposedAt: string;
}

/** What became of a version, as it is shown. */
export interface MethodHistoryEntry {
  readonly kind: MethodEvent['kind'];
  readonly at: string;
  readonly effectiveFrom?: string;
  readonly retiredAt?: string;
  readonly signatureId?: string;
}

/** A version with its whole content and what became of it. */
export interface MethodDetail extends MethodSummary {
  readonly content: MethodContent;
  readonly proposal: {
    readonly effectiveFrom: string | null;
    readonly inForceBeside: readonly string[];
    readonly supersedes: readonly string[];
    readonly notRecomputable: string | null;
  } | null;
  readonly siteFolder: string | null;
  readonly history: readonly MethodHistoryEntry[];
}

export interface MethodView extends MethodDetail {
  /** By id, the signatures that the history names. */
  readonly signatures: Readonly<Record<string, SignatureManifest>>;
}

interface Registered {
  readonly version: RegisteredVersion;
  readonly events: readonly MethodEvent[];
  readonly method: Method | null;
}

export function methodSummary({ version, method }: Registered, now: Instant): MethodSummary {
  const { content, proposal } = version;
  const { id, title, material, mode } = content;
  const { force, approvals = [] } = method ?? {};
  return {
    id,
    version: content.version,
    title,
    material,
    mode,
    state: stateOf(method, now),
    effectiveFrom: text(method === null ? proposal?.effectiveFrom : force?.effectiveFrom),
    retiredAt: text(force?.retiredAt),
    invalidatedAt: text(force?.invalidatedAt),
    invalidation: force?.invalidation ?? null,
    notRecomputable: (method ?? proposal)?.notRecomputable ?? null,
    notListed: (force?.absent ?? []).map(({ from, to }) => ({ from: text(from), to: text(to) })),
    inForceBeside: force?.beside ?? proposal?.beside ?? [],
    approvals: approvals.map((a) => ({
      material: a.material,
      by: a.isSignature ? 'signature' : 'decision',
      id: a.decision,
      effectiveFrom: text(a.effectiveFrom),
      endsAt: text(a.endsAt),
    })),
    contentDigest: version.contentDigest,
    referenceSha256: content.referenceSha256,
    source: version.source,
    proposedBy: version.proposedBy,
    proposedAt: formatInstant(version.proposedAt),
  };
}

export function methodDetail(of: Registered, now: Instant): MethodDetail {
  const { content, proposal, siteFolder } = of.version;
  return {
    ...methodSummary(of, now),
    content,
    proposal: proposal && {
      effectiveFrom: text(proposal.effectiveFrom),
      inForceBeside: proposal.beside,
      supersedes: proposal.supersedes,
      notRecomputable: proposal.notRecomputable ?? null,
    },
    siteFolder,
    history: of.events.map(historyEntry),
  };
}

function historyEntry(event: MethodEvent): MethodHistoryEntry {
  const base = { kind: event.kind, at: formatInstant(event.at) };
  switch (event.kind) {
    case 'listed': {
      const { effectiveFrom, retiredAt } = event.dates;
      return {
        ...base,
        ...(effectiveFrom === null ? {} : { effectiveFrom: formatInstant(effectiveFrom) }),
        ...(retiredAt === null ? {} : { retiredAt: formatInstant(retiredAt) }),
      };
    }
    case 'left':
      return base;
    case 'approved':
      return {
        ...base,
        effectiveFrom: formatInstant(event.effectiveFrom),
        signatureId: event.signatureId,
      };
    case 'retired':
      return { ...base, retiredAt: formatInstant(event.retiredAt), signatureId: event.signatureId };
    case 'invalidated':
      return { ...base, signatureId: event.signatureId };
  }
}

function stateOf(method: Method | null, now: Instant): MethodState {
  if (method === null) return 'proposed';
  if (isInvalidated(method)) return 'invalidated';
  const { force } = method;
  if (force === undefined || whyNotInForce(method, { from: now, to: now }) === null) {
    return 'in-force';
  }
  if (force.retiredAt !== null && force.retiredAt <= now) return 'retired';
  return force.effectiveFrom !== null && now < force.effectiveFrom ? 'scheduled' : 'not-listed';
}

function text(at: Instant | null | undefined): string | null {
  return at === null || at === undefined ? null : formatInstant(at);
}
