import type { Decimal } from '../formats/decimal.js';
import type { IdentityTests, Treatment } from './method-treatment.js';
import type {
  AttributePlanRule,
  DecisionRecord,
  DerivativeSetting,
  Destination,
  Escalation,
  FurtherRule,
  Instrument,
  Material,
  PlanKind,
  PlanRounding,
  ReceivingArea,
  ScoreAlgorithm,
  SecondPersonRule,
  SessionLimits,
  SiteLimits,
} from './site-folder.js';
import type { Environment, Mode } from './vocabulary.js';

/** `site.yaml` as it is written, after it passed its schema; cross references are still unchecked. */
export interface SiteFile {
  readonly site: string;
  readonly title: string;
  readonly environment: Environment;
  readonly simulated: boolean;
  readonly timeZone: string;
  readonly areas: readonly ReceivingArea[];
  readonly instruments: readonly InstrumentEntry[];
  readonly materials: readonly Material[];
  readonly methods: readonly MethodEntry[];
  readonly references?: readonly ReferenceEntry[];
  readonly plans: readonly PlanEntry[];
  readonly attributePlans?: readonly AttributePlanEntry[];
  readonly decisions: readonly DecisionRecord[];
  readonly secondPerson: SecondPersonRule;
  readonly escalation?: Escalation;
  readonly limits: SiteLimits;
  /** Hours in which discrepancies of a class should be closed. */
  readonly serviceTargetHours?: Readonly<Record<string, number>>;
  readonly sessions?: Partial<SessionLimits>;
  readonly destinations: readonly Destination[];
}

/** Instants as they are written: RFC 3339 with offset. */
export type InstrumentEntry = Omit<Instrument, 'inServiceSince' | 'outOfService'> & {
  readonly inServiceSince?: string;
  readonly outOfService?: readonly {
    readonly from: string;
    readonly to?: string | null;
    readonly decision: string;
  }[];
};

/** When a version counts, as it is written: RFC 3339 with offset; left out is no limit. */
export interface MethodDates {
  readonly effectiveFrom?: string;
  readonly retiredAt?: string;
  readonly invalidatedAt?: string;
  /** Decision record that found the version wrong. */
  readonly invalidation?: string;
  /** Other versions that may be in force at the same time. */
  readonly inForceBeside?: readonly string[];
}

export interface ApprovalEntry {
  readonly material: string;
  readonly decision: string;
  readonly effectiveFrom?: string;
  readonly endsAt?: string;
}

export interface MethodEntry extends MethodDates {
  readonly id: string;
  readonly version: string;
  readonly title: string;
  readonly material: string;
  readonly mode: Mode;
  readonly algorithm: ScoreAlgorithm;
  readonly threshold: Decimal;
  readonly scoreTolerance: Decimal;
  readonly range: { readonly from: Decimal; readonly to: Decimal };
  readonly gridStep: Decimal;
  readonly derivative: DerivativeSetting | null;
  /** File in the site folder. */
  readonly reference: string | null;
  readonly treatment?: Treatment;
  readonly asks?: IdentityTests;
  readonly approvals: readonly ApprovalEntry[];
  /** Decision record by which its results count although they are not recomputed. */
  readonly notRecomputable?: string;
}

export interface ReferenceEntry {
  readonly material: string;
  /** File in the site folder. */
  readonly file: string;
  /** Instrument models it stands for; all of them when left out. */
  readonly models?: readonly string[];
}

export interface PlanEntry {
  /** Material code, or `*` for every material. */
  readonly material: string;
  readonly manufacturer?: string | null;
  readonly supplier?: string | null;
  readonly plan: PlanKind;
  readonly rounding: PlanRounding;
  readonly positions?: readonly number[];
  readonly afterFailure?: FurtherRule;
  readonly decision: string;
  /** RFC 3339 with offset. */
  readonly expires: string;
}

export interface AttributePlanEntry
  extends Pick<AttributePlanRule, 'attribute' | 'level' | 'aql' | 'decision'> {
  /** Material code, or `*` for every material. */
  readonly material: string;
  readonly manufacturer?: string | null;
  readonly supplier?: string | null;
  /** RFC 3339 with offset. */
  readonly expires: string;
}
