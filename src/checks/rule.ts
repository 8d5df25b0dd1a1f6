import type { Instant, ReportedTimestamp } from '../formats/instant.js';
import type { BundleResult, ManifestPart, ResultBundle } from '../intake/result-bundle.js';
import type { Limit } from '../site/signal-limits.js';
import type { Instrument, Method } from '../site/site-folder.js';
import type { BundleTraces, Trace } from './bundle-traces.js';
import type { ExaminedResult, ReadableExamination } from './examination.js';
import type { Finding, FindingSeverity } from './finding.js';
import type { HistoryFacts, ReceiptFacts, Standing } from './history-facts.js';
import type { PerformanceJudgement } from './judge-performance.js';
import type { SpectrumReading } from './read-spectrum.js';
import type { RecheckDetail } from './recheck.js';
import type { RunRange } from './run-ranges.js';
import type { KnownMeasurement, SenseFacts } from './sense-facts.js';
import type { ResultLimits, Signal } from './signal.js';
import type { SiteIndex } from './site-index.js';
import type { FileFault } from './spectrum-files.js';

/** What a person reads about a rule; docs/checks.md is the list of these. */
export interface RuleInfo {
  /** Stable. */
  readonly code: string;
  readonly severity: FindingSeverity;
  /** What a finding is about, and so what a hold holds: the bundle with all its results, or one result. */
  readonly scope: 'bundle' | 'result';
  /** What the rule has to know: the document alone, the site folder too, or what came before. */
  readonly needs: 'document' | 'site' | 'history';
  /** True when the bytes are refused as no bundle at all. */
  readonly refuses?: true;
  /** What it means that the rule found something. */
  readonly meaning: string;
  /** What to do about it. */
  readonly advice: string;
  /** Where its limit comes from, for a rule that has one: a key of `signal-limits.yaml` or `site.yaml`. */
  readonly limit?: string;
}

/** One place a rule found, found against expected. */
export interface Found {
  /** Relative to what the rule is about: the document, or the result. */
  readonly pointer: string;
  readonly message: string;
  readonly numbers?: Readonly<Record<string, string>>;
  /** What it was held against; goes into the finding's numbers as `limit` and `limitSource`. */
  readonly limit?: Limit;
}

export interface BundleCase {
  readonly document: ResultBundle;
  readonly site: SiteIndex;
  /** Registered instrument of the bundle's serial. */
  readonly instrument: Instrument | null;
  /** Manifest parts as the content gives them. */
  readonly parts: readonly ManifestPart[];
  /** Ascending; see `ReadableExamination.missing`. */
  readonly missing: readonly RunRange[];
  /** How often each run number stands in the bundle. */
  readonly runCounts: ReadonlyMap<number, number>;
  readonly resultIdCounts: ReadonlyMap<string, number>;
  readonly methodDigests: ReadonlyMap<string, string>;
  readonly operatorIds: ReadonlySet<string>;
  /** By `methodKey`, methods that are listed with more than one digest. */
  readonly methodsInDoubt: ReadonlySet<string>;
  /** Operators that are listed with more than one name. */
  readonly operatorsInDoubt: ReadonlySet<string>;
  /** What is wrong with the files of a bundle that is a zip archive, or should be one. */
  readonly fileFaults: readonly FileFault[];
  /** What its results have in common. */
  readonly traces: BundleTraces;
  /** In the order of the performance checks. */
  readonly performance: readonly PerformanceJudgement[];
  readonly now: Instant;
}

export interface ResultCase {
  readonly bundle: BundleCase;
  readonly result: BundleResult;
  /** Registered method of the id and version the result names. */
  readonly method: Method | null;
  readonly measuredAt: ReportedTimestamp | null;
  readonly spectrum: SpectrumReading;
  readonly recheck: RecheckDetail;
  /** null when the spectrum was not read. */
  readonly signal: Signal | null;
  /** null where the site has no `signal-limits.yaml`. */
  readonly limits: ResultLimits | null;
  readonly trace: Trace;
}

export interface BundleHistoryCase {
  readonly examination: ReadableExamination;
  readonly facts: HistoryFacts;
  readonly standing: Standing;
  /** Gaps that are there with this bundle and were not before, or lie inside it. */
  readonly newGaps: readonly RunRange[];
  readonly sense: SenseFacts;
}

export interface ResultHistoryCase {
  readonly examined: ExaminedResult;
  readonly site: SiteIndex;
  readonly standing: Standing;
  /** See `ResultHistory.repeatsHeld`. */
  readonly repeatsHeld: boolean;
  readonly receipt: ReceiptFacts | null;
  /** True when the run number was accounted for before by something else. */
  readonly isOverlap: boolean;
  /** Serial of the bundle's instrument. */
  readonly instrument: string | null;
  readonly sense: SenseFacts;
}

interface Rule<Case> {
  readonly info: RuleInfo;
  readonly find: (about: Case) => readonly Found[];
}

/**
 * What a result says about one that came before it. Asked only when `pairedWith` was found on the later one, so that
 * of a pair either both are held or neither, whichever came first.
 */
export interface EarlierRule {
  readonly info: RuleInfo;
  /** Code of the finding on the later one of the pair. */
  readonly pairedWith: string;
  /**
   * @param isKnown true for a row that this rule has found already; what it says twice is said once
   */
  readonly find: (
    about: ResultHistoryCase,
    isKnown: (rowId: string) => boolean,
  ) => readonly FoundEarlier[];
}

interface FoundEarlier {
  readonly earlier: KnownMeasurement;
  /** The pointer is relative to the earlier result. */
  readonly found: Found;
}

export type BundleRule = Rule<BundleCase>;
export type ResultRule = Rule<ResultCase>;
export type BundleHistoryRule = Rule<BundleHistoryCase>;
export type ResultHistoryRule = Rule<ResultHistoryCase>;

/** Places reported of one rule and one bundle; the last one says how many more there are. */
const FOUND_MAX = 50;

/** Findings of one rule, with pointers made absolute. */
export function applyRule<Case>(rule: Rule<Case>, about: Case, pointer: string): Finding[] {
  const found = rule.find(about);
  if (found.length === 0) return [];
  const shown = found.slice(0, FOUND_MAX);
  const more = found.length - shown.length;
  return shown.map((place, index) => {
    const isLast = more > 0 && index === shown.length - 1;
    return asFinding(rule.info, {
      ...place,
      pointer: `${pointer}${place.pointer}`,
      message: isLast ? `${place.message} (and ${more} more)` : place.message,
    });
  });
}

export function asFinding(info: RuleInfo, found: Found): Finding {
  return {
    code: info.code,
    severity: info.severity,
    pointer: found.pointer,
    message: found.message,
    advice: info.advice,
    ...numbersOf(found),
  };
}

function numbersOf({ numbers, limit }: Found): Pick<Finding, 'numbers'> {
  if (limit === undefined) return numbers === undefined ? {} : { numbers };
  return { numbers: { ...numbers, limit: limit.value, limitSource: limit.source } };
}
