import type { JsonValue } from '../formats/canonical-json.js';
import { formatInstant, type Instant } from '../formats/instant.js';
import type { ShownDocument } from '../signatures/shown-document.js';
import type { Meaning } from '../signatures/signature.js';
import { forceSpan, isInvalidated, spansMeet } from '../site/method-force.js';
import type { InstantSpan, Method } from '../site/site-folder.js';
import { proposedMethod } from './proposed-method.js';
import type { MethodEvent, RegisteredVersion } from './registered-method.js';

/** What a person signs about a version. */
export const METHOD_ACTS = ['approve', 'retire', 'invalidate'] as const;
export type MethodAct = (typeof METHOD_ACTS)[number];

export const ACT_MEANINGS: Readonly<Record<MethodAct, Meaning>> = {
  approve: 'approved',
  retire: 'retired',
  invalidate: 'invalidated',
};

/** A version before somebody signs about it, among the other versions of its method. */
export interface MethodCase {
  readonly version: RegisteredVersion;
  readonly events: readonly MethodEvent[];
  /** As results are judged by it; null while nobody put it in force. */
  readonly method: Method | null;
  /** Versions of the same method that are judged by, without this one. */
  readonly others: readonly Method[];
  readonly act: MethodAct;
  /** Of a retirement: first instant it is not in force any more; else null. */
  readonly at: Instant | null;
}

export interface ActOption {
  readonly possible: boolean;
  /** Why not. */
  readonly because: readonly string[];
  /** What it would do. */
  readonly effects: readonly string[];
}

/** Whether an act is open to a version, and what it would do. Whoever proposed a version is asked elsewhere. */
export function actOption(about: MethodCase, now: Instant): ActOption {
  const because = AGAINST[about.act](about, now);
  if (because.length > 0) return { possible: false, because, effects: [] };
  return { possible: true, because: [], effects: EFFECTS[about.act](about, now) };
}

/** What is shown and signed. The state beside the record is that of the moment: after a change it is shown anew. */
export function actDocument(about: MethodCase): ShownDocument {
  const { force, approvals = [] } = about.method ?? {};
  const text = (at: Instant | null | undefined) => (at ? formatInstant(at) : null);
  const context: JsonValue = {
    act: about.act,
    at: text(about.at),
    state: {
      effectiveFrom: text(force?.effectiveFrom),
      retiredAt: text(force?.retiredAt),
      invalidatedAt: text(force?.invalidatedAt),
      approvals: approvals.map((a) => ({ material: a.material, decision: a.decision })),
    },
    others: about.others.map((m) => ({
      version: m.version,
      effectiveFrom: text(m.force?.effectiveFrom),
      retiredAt: text(m.force?.retiredAt),
    })),
  };
  return { ...proposedMethod(about.version), context };
}

/**
 * When an approval signed now puts a version in force: as it was proposed, and never before it is signed. A method
 * that nobody had approved yet covers nothing afterwards.
 */
export function approvedFrom({ proposal }: RegisteredVersion, now: Instant): Instant {
  return Math.max(proposal?.effectiveFrom ?? now, now) as Instant;
}

const AGAINST: Readonly<Record<MethodAct, (about: MethodCase, now: Instant) => string[]>> = {
  approve: (about, now) => {
    const { method, version } = about;
    if (method !== null && isInvalidated(method)) return ['it was found wrong'];
    if (method?.approvals.some((a) => a.isSignature))
      return ['it is approved by signature already'];
    const from = approvedFrom(version, now);
    const retiredAt = method?.force?.retiredAt ?? null;
    if (retiredAt !== null && retiredAt <= from) {
      return [`it is retired at ${formatInstant(retiredAt)}, before it would come into force`];
    }
    return besides(about, { from, to: retiredAt }).map(
      (m) =>
        `version ${m.version} would be in force at the same time: retire it first, or propose a version that supersedes it or names it in inForceBeside`,
    );
  },
  retire: ({ method, at }) => {
    if (method === null) return ['nobody put it in force'];
    if (at === null) return ['the instant from which it is not in force any more is not named'];
    const { retiredAt = null, effectiveFrom = null } = method.force ?? {};
    if (retiredAt !== null && retiredAt <= at) {
      return [`it is retired at ${formatInstant(retiredAt)} already, and never comes back`];
    }
    if (effectiveFrom !== null && at < effectiveFrom) {
      return [`it comes into force at ${formatInstant(effectiveFrom)} only`];
    }
    return [];
  },
  invalidate: ({ method }) => {
    if (method === null) return ['nobody put it in force, so nothing was judged by it'];
    return isInvalidated(method) ? ['it was found wrong already'] : [];
  },
};

const EFFECTS: Readonly<Record<MethodAct, (about: MethodCase, now: Instant) => string[]>> = {
  approve: ({ version }, now) => {
    const { content, proposal } = version;
    const from = proposal?.effectiveFrom ?? null;
    const when =
      from !== null && from > now
        ? `in force from ${formatInstant(from)} on`
        : 'in force from the signature on';
    return [
      `results of ${content.material} measured by it count: ${when}`,
      ...(proposal?.supersedes ?? []).map(
        (v) => `version ${v} is retired when it comes into force`,
      ),
      ...declarationEffects(version),
    ];
  },
  retire: ({ at }, now) => [
    `nothing measured from ${at === null ? 'then' : formatInstant(at)} on counts by it; what was measured before goes on to count`,
    ...(at !== null && at < now
      ? ['that lies in the past: receipts that rest on later measurements are suspended at once']
      : []),
  ],
  invalidate: () => [
    'nothing measured by it counts any more, whenever that was',
    'conforming receipts that rest on it are suspended at once, and only a signed act lifts their stops',
  ],
};

/** Of a version that declares its results not recomputable: only the decision's own signature lets them count (rule 5). */
function declarationEffects({ proposal }: RegisteredVersion): string[] {
  const decision = proposal?.notRecomputable;
  if (decision === undefined) return [];
  return [
    `its results count without a recheck once decision ${decision} is signed as it reads with this version`,
    `a signature that decision ${decision} has already is void from then on: conforming receipts that rest on it are suspended at once`,
  ];
}

/** Other versions in force in a span that nobody said may be, and that an approval would not retire. */
function besides({ version, others }: MethodCase, span: InstantSpan): readonly Method[] {
  const allowed = new Set([
    ...(version.proposal?.beside ?? []),
    ...(version.proposal?.supersedes ?? []),
  ]);
  return others.filter((other) => {
    if (isInvalidated(other) || allowed.has(other.version)) return false;
    if (other.force?.beside.includes(version.content.version)) return false;
    const gone = other.force?.absent.some((gap) => gap.to === null) ?? false;
    return !gone && spansMeet(forceSpan(other) ?? { from: null, to: null }, span);
  });
}
