import type { Sha256 } from '../formats/canonical-json.js';
import type { Decimal } from '../formats/decimal.js';
import type { Instant } from '../formats/instant.js';
import type { Aql, InspectionLevel } from '../receipts/published-plans.js';
import type { IdentityTests, Treatment } from './method-treatment.js';
import type { PerformanceSettings } from './performance-settings.js';
import type { SignalLimits } from './signal-limits.js';
import type { Environment, INSPECTED_ATTRIBUTES, Mode } from './vocabulary.js';

/**
 * A site folder after reading: everything a site configures, validated and frozen, with the SHA-256 of
 * its content. The service runs from one such value; nothing reads the folder's files afterwards.
 */
export interface SiteFolder {
  readonly site: string;
  readonly title: string;
  readonly environment: Environment;
  /** True when the folder belongs to the invented scenario; shown on every page. */
  readonly simulated: boolean;
  /** IANA name. */
  readonly timeZone: string;
  readonly areas: readonly ReceivingArea[];
  readonly instruments: readonly Instrument[];
  readonly materials: readonly Material[];
  readonly methods: readonly Method[];
  /** References besides those of the methods: what a margin and an unknown search compare with. */
  readonly references?: readonly SiteReference[];
  readonly plans: readonly PlanRule[];
  /** Inspections of labels and damage, never of identity; left out where the site has none. */
  readonly attributePlans?: readonly AttributePlanRule[];
  readonly decisions: readonly DecisionRecord[];
  readonly limits: SiteLimits;
  readonly sessions: SessionLimits;
  readonly destinations: readonly Destination[];
  readonly secondPerson: SecondPersonRule;
  /** Hours in which discrepancies of a class should be closed, where not by default. */
  readonly serviceTargetHours?: Readonly<Record<string, number>>;
  /** The second channel for stops that are not effective in time; null where the site has none. */
  readonly escalation: Escalation | null;
  /** Limits of signal, measurement and pace; null or left out where the site sets none. */
  readonly signal?: SignalLimits | null;
  /** By what performance checks are judged; null where the site has written nothing about it. */
  readonly performance: PerformanceSettings | null;
  /** SHA-256 over the sorted list of file names and their digests. */
  readonly digest: Sha256;
}

export interface ReceivingArea {
  readonly id: string;
  readonly title: string;
}

export interface Instrument {
  readonly serial: string;
  readonly model: string;
  readonly firmware: string;
  readonly laserWavelengthNm: Decimal;
  readonly area: string;
  readonly inService: boolean;
  /** Not in use before; left out: since ever. */
  readonly inServiceSince?: Instant;
  /** Spans in which it was out of service, each by a decision record. */
  readonly outOfService?: readonly OutOfServiceSpan[];
}

export interface OutOfServiceSpan {
  readonly from: Instant;
  /** Exclusive; null while it is not back. */
  readonly to: Instant | null;
  readonly decision: string;
}

export interface Material {
  readonly code: string;
  readonly name: string;
  /** Identity tests the material needs besides Raman; any entry bars a releasing statement (rule 6). */
  readonly furtherIdentityTests: readonly string[];
}

/** A curve on a strictly ascending Raman-shift axis, cm-1. */
export interface ReferenceSpectrum {
  readonly axis: Float64Array;
  readonly intensity: Float64Array;
  /** SHA-256 of the file's bytes. */
  readonly sha256: Sha256;
}

/** A reference spectrum of the site's set that belongs to no method. */
export interface SiteReference {
  readonly material: string;
  /** File in the site folder. */
  readonly file: string;
  /** Instrument models it stands for; null stands for all of them. */
  readonly models: readonly string[] | null;
  readonly spectrum: ReferenceSpectrum;
}

/** How a method scores; `docs/recheck.md` has the formulas. */
export type ScoreAlgorithm =
  | 'squared-correlation'
  | 'correlation'
  | 'cosine'
  | 'squared-cosine'
  | 'undisclosed';

export interface DerivativeSetting {
  readonly points: number;
  readonly polynomialOrder: number;
  readonly order: number;
}

export interface Method {
  readonly id: string;
  readonly version: string;
  readonly title: string;
  /** Material code the method identifies. */
  readonly material: string;
  readonly mode: Mode;
  readonly algorithm: ScoreAlgorithm;
  readonly threshold: Decimal;
  /** How far the recomputed score may lie from the reported one. */
  readonly scoreTolerance: Decimal;
  /** Inclusive, cm-1. */
  readonly range: { readonly from: Decimal; readonly to: Decimal };
  /** Step of the even grid both curves are interpolated to, cm-1. */
  readonly gridStep: Decimal;
  readonly derivative: DerivativeSetting | null;
  readonly reference: ReferenceSpectrum | null;
  /** Left out: interpolated linearly and nothing else, see `PLAIN_TREATMENT`. */
  readonly treatment?: Treatment;
  /** What a pass has to show besides its score. Left out: nothing. */
  readonly asks?: IdentityTests;
  /** Digest of the content above, see `methodContentDigest` in `site/method-content.ts`. */
  readonly contentDigest: Sha256;
  /** Materials the method is approved for, each by a decision record or a signature. */
  readonly approvals: readonly MethodApproval[];
  /** When the version counts; left out: for every measurement. See `site/method-force.ts`. */
  readonly force?: MethodForce;
  /**
   * Decision record that declares its results not recomputable, by an undisclosed algorithm or without a raw trace;
   * a statement rests on such a result only by the signature of that decision (release-safety rule 5).
   */
  readonly notRecomputable?: string;
}

export interface MethodApproval {
  readonly material: string;
  /** Decision record of the site, or the signature that approved it. */
  readonly decision: string;
  /** First instant of measurement it counts for; left out: every one. */
  readonly effectiveFrom?: Instant;
  /** First instant of measurement it does not count for any more; left out: it goes on. */
  readonly endsAt?: Instant;
  /** True when `decision` is the id of an electronic signature that holds. */
  readonly isSignature?: true;
}

/** Half open: `from` counts, `to` does not; null is no limit. */
export interface InstantSpan {
  readonly from: Instant | null;
  readonly to: Instant | null;
}

/** When a version of a method counts, by the instant of measurement (release-safety rules 5 and 20). */
export interface MethodForce {
  /** First instant it is in force; null: ever since. */
  readonly effectiveFrom: Instant | null;
  /** First instant it is not in force any more. What was measured before goes on to count. */
  readonly retiredAt: Instant | null;
  /** When it was found wrong. From then on nothing measured by it counts, whenever it was measured. */
  readonly invalidatedAt: Instant | null;
  /** Decision record or signature that found it wrong. */
  readonly invalidation: string | null;
  /** Spans in which the site folder that brought it did not list it. */
  readonly absent: readonly InstantSpan[];
  /** Other versions of the method that may be in force at the same time. */
  readonly beside: readonly string[];
}

/** `docs/sampling.md` says how many containers each asks for, and where from. */
export type PlanKind = 'every' | 'sqrt' | 'who-n' | 'who-p' | 'who-r' | 'fixed';
export type PlanRounding = 'up' | 'nearest' | 'down';

export type FurtherRule = 'every' | number;

export interface PlanRule {
  readonly material: string;
  /** null matches every manufacturer or supplier. */
  readonly manufacturer: string | null;
  readonly supplier: string | null;
  readonly plan: PlanKind;
  readonly rounding: PlanRounding;
  /** Of a fixed plan: places in the announced list of containers, from 1. */
  readonly positions?: readonly number[];
  /** How many more containers are identified for each one that failed; every one of the receipt when left out. */
  readonly afterFailure?: FurtherRule;
  readonly decision: string;
  readonly expires: Instant;
}

export type InspectedAttribute = (typeof INSPECTED_ATTRIBUTES)[number];

/** Single sampling by attributes, normal inspection (ISO 2859-1). */
export interface AttributePlanRule
  extends Pick<PlanRule, 'material' | 'manufacturer' | 'supplier'> {
  readonly attribute: InspectedAttribute;
  readonly level: InspectionLevel;
  readonly aql: Aql;
  readonly decision: string;
  readonly expires: Instant;
}

/**
 * A site decision as the folder writes it down: rule, who decided, when, why. It is signed in the service
 * (`statements/site-decision.ts`); in production nothing may rest on one that nobody signed.
 */
export interface DecisionRecord {
  readonly id: string;
  readonly rule: string;
  readonly decidedBy: string;
  /** Calendar day, `YYYY-MM-DD`. */
  readonly date: string;
  readonly reason: string;
  /** A file signs nothing. */
  readonly signed: false;
}

export type SecondPersonRule =
  | { readonly required: true }
  | { readonly required: false; readonly decision: string };

export interface Escalation {
  /** A stop that is not effective so long after it was issued; a paused destination escalates at once. */
  readonly afterMs: number;
  readonly repeatMs: number;
  /** Who is told, as the site names them. */
  readonly person: string;
  readonly email?: EscalationMail;
  /** Name of a destination that gets `stop-escalation` messages; never one that acts. */
  readonly destination?: string;
}

export interface EscalationMail {
  readonly host: string;
  readonly port: number;
  /** `none` only reaches a server that needs none, such as one on this machine; production refuses it. */
  readonly tls: 'implicit' | 'starttls' | 'none';
  readonly from: string;
  readonly to: readonly string[];
  readonly user?: string;
  readonly password?: SecretReference;
}

export interface SiteLimits {
  readonly bundleBytesMax: number;
  readonly resultsPerBundleMax: number;
  readonly spectrumPointsMax: number;
  /** How far past the measurement that completed coverage each instrument must have synced. */
  readonly syncMarginMs: number;
  /** How long a statement may be acted on after it was evaluated. */
  readonly statementValidMs: number;
  /** A result measured this far after the gateway's clock is held. */
  readonly futureToleranceMs: number;
  /** Instrument and sync PC clocks further apart than this are remarked. */
  readonly clockSkewMs: number;
}

/** How long a sign-in lasts. */
export interface SessionLimits {
  /** Without a request. */
  readonly idleMs: number;
  /** Whatever is done. */
  readonly absoluteMs: number;
}

/** A quarter of an hour without a request, a long shift in all; common practice, no source. */
export const DEFAULT_SESSIONS: SessionLimits = { idleMs: 900_000, absoluteMs: 43_200_000 };

export type EndpointConfig = HttpEndpointConfig | FileDropEndpointConfig;

/** A secret is named, never written: `env:NAME` or `file:PATH`. */
export type SecretReference = `env:${string}` | `file:${string}`;

export interface HttpEndpointConfig {
  readonly kind: 'http';
  readonly baseUrl: string;
  /** CIDR blocks the resolved address must lie in. */
  readonly allow: readonly string[];
  readonly bearer: SecretReference | null;
}

export interface FileDropEndpointConfig {
  readonly kind: 'file-drop';
  readonly directory: string;
}

export interface DestinationTiming {
  /** One total deadline for connect, send and answer. */
  readonly deadlineMs: number;
  /** Longest the destination takes to apply what it stored. */
  readonly processingMs: number;
  /** Wait before an "absent" counts; never zero (rule 26). */
  readonly settleMs: number;
  /** "Absent" answers needed before a resend; two at least (rule 26). */
  readonly absentAsks: number;
  readonly retryBaseMs: number;
  readonly retryMaxMs: number;
  readonly attemptsMax: number;
  readonly inFlightMax: number;
  /** Sends a second, token bucket; stops are exempt. */
  readonly ratePerSecond: number;
}

export interface Destination {
  readonly name: string;
  readonly title: string;
  readonly endpoint: EndpointConfig;
  /** True when the destination stores a message once per idempotency key. */
  readonly honoursKey: boolean;
  /** How long it remembers a key after it was first used; for good when left out. */
  readonly keyLifetimeMs?: number;
  /** True for systems that release or block on what they are told; they receive stops. */
  readonly acts: boolean;
  /** Results must be confirmed here before a receipt can conform. */
  readonly requiredForStatement: boolean;
  readonly timing: DestinationTiming;
  /** When what it holds is listed and compared by itself; by hand only when left out. */
  readonly sweep?: SweepSchedule | null;
}

export interface SweepSchedule {
  readonly everyMinutes: number;
  /** How far back each sweep looks. */
  readonly lookBackHours: number;
}
