import {
  canonicalDigest,
  canonicalJson,
  type JsonValue,
  type Sha256,
} from '../formats/canonical-json.js';
import type { Instant } from '../formats/instant.js';
import type {
  DecisionRecord,
  InstantSpan,
  Method,
  MethodApproval,
  MethodForce,
  ReferenceSpectrum,
} from '../site/site-folder.js';

/** What of a version never changes: everything a score, a decision or a page says by it. */
export type MethodContent = Omit<
  Method,
  'reference' | 'contentDigest' | 'approvals' | 'force' | 'notRecomputable'
> & {
  readonly referenceSha256: string | null;
};

/** What a proposal carries beside the content, and its approval puts in force. */
export interface ProposedDates {
  /** null: from the approval on. */
  readonly effectiveFrom: Instant | null;
  readonly beside: readonly string[];
  /** Versions that are retired when this one begins. */
  readonly supersedes: readonly string[];
  /** Decision that declares its results not recomputable. */
  readonly notRecomputable?: string;
}

/** What the site folder says of a version beside its content, as of one start. */
export interface ListedDates {
  readonly effectiveFrom: Instant | null;
  readonly retiredAt: Instant | null;
  readonly invalidatedAt: Instant | null;
  readonly invalidation: string | null;
  readonly beside: readonly string[];
  readonly approvals: readonly MethodApproval[];
  /** Decision that declares its results not recomputable. */
  readonly notRecomputable?: string;
  /** The decision records that are named, so that they can be shown when the folder has them no more. */
  readonly decisions: readonly DecisionRecord[];
}

export interface RegisteredVersion {
  readonly content: MethodContent;
  readonly contentDigest: Sha256;
  readonly source: 'site-folder' | 'api';
  readonly siteFolder: string | null;
  readonly proposal: ProposedDates | null;
  readonly proposedBy: string;
  readonly proposedAt: Instant;
}

/** What became of a version, in order. */
export type MethodEvent = { readonly at: Instant } & (
  | { readonly kind: 'listed'; readonly dates: ListedDates }
  /** The site folder of a start did not list it any more. */
  | { readonly kind: 'left' }
  | { readonly kind: 'approved'; readonly effectiveFrom: Instant; readonly signatureId: string }
  | { readonly kind: 'retired'; readonly retiredAt: Instant; readonly signatureId: string }
  | { readonly kind: 'invalidated'; readonly signatureId: string }
);

/** The content of a method that was read from a site folder. */
export function contentOf(method: Method): MethodContent {
  const {
    reference,
    contentDigest: _digest,
    approvals: _approvals,
    force: _force,
    notRecomputable: _notRecomputable,
    ...rest
  } = method;
  return { ...rest, referenceSha256: reference?.sha256 ?? null };
}

/**
 * True when two contents are one: everything but the title counts. A member that is null or absent is the same, so
 * that a later version of the service, which knows more members, does not take its own default for a change.
 */
export function isSameContent(a: MethodContent, b: MethodContent): boolean {
  const identity = ({ title: _title, ...rest }: MethodContent) =>
    canonicalDigest(withoutNulls(rest));
  return identity(a) === identity(b);
}

/** JSON Pointers of the members in which two contents differ, the title left out. */
export function changedMembers(a: MethodContent, b: MethodContent): string[] {
  const of = (content: MethodContent) =>
    new Map(Object.entries(withoutNulls(content) as Record<string, unknown>));
  const [before, after] = [of(a), of(b)];
  return [...new Set([...before.keys(), ...after.keys()])]
    .filter((key) => key !== 'title')
    .filter(
      (key) => canonicalJson(before.get(key) ?? null) !== canonicalJson(after.get(key) ?? null),
    )
    .map((key) => `/${key}`)
    .sort();
}

/** What a site folder says of a version beside its content. */
export function listedDates(
  { force, approvals, notRecomputable }: Method,
  decisions: readonly DecisionRecord[],
): ListedDates {
  const named = new Set([
    ...approvals.map((a) => a.decision),
    force?.invalidation ?? null,
    notRecomputable ?? null,
  ]);
  return {
    effectiveFrom: force?.effectiveFrom ?? null,
    retiredAt: force?.retiredAt ?? null,
    invalidatedAt: force?.invalidatedAt ?? null,
    invalidation: force?.invalidation ?? null,
    beside: force?.beside ?? [],
    approvals,
    ...(notRecomputable === undefined ? {} : { notRecomputable }),
    decisions: decisions.filter((d) => named.has(d.id)),
  };
}

/**
 * A version as results are judged by it; null while nobody put it in force. What ends a version stays for good: a
 * folder that forgets a retirement, or a signature that is void, brings nothing back (rule 9).
 *
 * @param holds signatures of approvals that are as they were made, of this very content
 */
export function judgedMethod(
  version: RegisteredVersion,
  events: readonly MethodEvent[],
  reference: ReferenceSpectrum | null,
  holds: ReadonlySet<string>,
): Method | null {
  const { referenceSha256: _sha256, ...content } = version.content;
  const listed = events.flatMap((e) => (e.kind === 'listed' ? [e.dates] : []));
  const latest = listed.at(-1) ?? null;
  const approved = events.flatMap((e) =>
    e.kind === 'approved' && holds.has(e.signatureId) ? [e] : [],
  );
  if (latest === null && approved.length === 0) return null;
  const bySignature = approved.map(
    ({ effectiveFrom, signatureId }): MethodApproval => ({
      material: content.material,
      decision: signatureId,
      effectiveFrom,
      isSignature: true,
    }),
  );
  const force = forceOf(version, events, latest, approved[0]?.effectiveFrom ?? null);
  // A folder that lists it says so itself, or that it is not.
  const { notRecomputable } = latest ?? version.proposal ?? {};
  return {
    ...content,
    reference,
    contentDigest: version.contentDigest,
    // Without the folder it is in force by the signature alone: the folder's approvals last while it lists the version.
    approvals: [
      ...(latest?.approvals ?? []).flatMap((approval) =>
        approved.length === 0 ? [approval] : whileListed(approval, events),
      ),
      ...bySignature,
    ],
    ...(notRecomputable === undefined ? {} : { notRecomputable }),
    ...(force === null ? {} : { force }),
  };
}

function forceOf(
  version: RegisteredVersion,
  events: readonly MethodEvent[],
  latest: ListedDates | null,
  approvedFrom: Instant | null,
): MethodForce | null {
  const ends = events.flatMap((e) => {
    if (e.kind === 'retired') return [e.retiredAt];
    return e.kind === 'listed' && e.dates.retiredAt !== null ? [e.dates.retiredAt] : [];
  });
  const wrong = events.flatMap((e) => {
    if (e.kind === 'invalidated') return [{ at: e.at, by: e.signatureId }];
    const at = e.kind === 'listed' ? e.dates.invalidatedAt : null;
    return at === null || e.kind !== 'listed' ? [] : [{ at, by: e.dates.invalidation }];
  });
  const first = wrong.sort((a, b) => a.at - b.at)[0] ?? null;
  const force: MethodForce = {
    effectiveFrom: latest === null ? approvedFrom : latest.effectiveFrom,
    retiredAt: ends.length === 0 ? null : (Math.min(...ends) as Instant),
    invalidatedAt: first?.at ?? null,
    invalidation: first?.by ?? null,
    // A signed approval keeps a version in force without the folder, from then on and never before.
    absent: approvedFrom === null ? absentSpans(events) : absentBefore(approvedFrom, events),
    beside: [...new Set([...(latest?.beside ?? []), ...(version.proposal?.beside ?? [])])],
  };
  const isUnlimited =
    force.effectiveFrom === null && force.retiredAt === null && force.invalidatedAt === null;
  return isUnlimited && force.absent.length === 0 && force.beside.length === 0 ? null : force;
}

function absentSpans(events: readonly MethodEvent[]): InstantSpan[] {
  const spans: { from: Instant; to: Instant | null }[] = [];
  for (const event of events) {
    const open = spans.at(-1);
    if (event.kind === 'left') spans.push({ from: event.at, to: null });
    else if (event.kind === 'listed' && open?.to === null) open.to = event.at;
  }
  return spans;
}

function absentBefore(approvedFrom: Instant, events: readonly MethodEvent[]): InstantSpan[] {
  return absentSpans(events).flatMap(({ from, to }) => {
    if (from !== null && from >= approvedFrom) return [];
    return [{ from, to: to === null || to > approvedFrom ? approvedFrom : to }];
  });
}

/** An approval of the folder in the spans in which the folder listed the version. */
function whileListed(approval: MethodApproval, events: readonly MethodEvent[]): MethodApproval[] {
  const { effectiveFrom, endsAt, ...rest } = approval;
  const gaps = absentSpans(events);
  const spans = [null, ...gaps].map((gap, i) => ({
    // Before the folder first left it out it says itself from when.
    from: gap === null ? null : gap.to,
    to: gaps[i]?.from ?? null,
    isOver: gap !== null && gap.to === null,
  }));
  return spans.flatMap(({ from, to, isOver }) => {
    if (isOver) return [];
    const begins =
      from === null ? effectiveFrom : (Math.max(from, effectiveFrom ?? from) as Instant);
    const ends = to === null ? endsAt : (Math.min(to, endsAt ?? to) as Instant);
    if (begins !== undefined && ends !== undefined && begins >= ends) return [];
    return [
      {
        ...rest,
        ...(begins === undefined ? {} : { effectiveFrom: begins }),
        ...(ends === undefined ? {} : { endsAt: ends }),
      },
    ];
  });
}

function withoutNulls(value: unknown): JsonValue {
  if (Array.isArray(value)) return value.map(withoutNulls);
  if (typeof value !== 'object' || value === null) return value as JsonValue;
  return Object.fromEntries(
    Object.entries(value)
      .filter(([, member]) => member !== null && member !== undefined)
      .map(([key, member]) => [key, withoutNulls(member)]),
  );
}
