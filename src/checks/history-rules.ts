import type { SiteFolder } from '../site/site-folder.js';
import { isContrary, originCovers } from '../site/vocabulary.js';
import type { ExaminedResult, ReadableExamination } from './examination.js';
import type {
  EarlierFinding,
  HistoryAnswer,
  HistoryFacts,
  ReceiptFacts,
  ResultHistory,
  Standing,
  UnjoinedEpoch,
} from './history-facts.js';
import { applyRule, asFinding, type ResultHistoryCase } from './rule.js';
import { BUNDLE_HISTORY_RULES, EARLIER_RULES, RESULT_HISTORY_RULES } from './rule-list.js';
import {
  intersectSpans,
  joinSpans,
  type RunRange,
  rangesOf,
  spansOfEpoch,
  subtractSpans,
} from './run-ranges.js';
import { NOTHING_KNOWN } from './sense-facts.js';
import { indexOfSite, type SiteIndex } from './site-index.js';

/**
 * Judges an examined bundle by what came before it. Needs nothing of the document but its readings, so the
 * values may have been dropped.
 */
export function applyHistory(
  examination: ReadableExamination,
  facts: HistoryFacts,
  site: SiteFolder,
): HistoryAnswer {
  const steps = historyInSteps(examination, facts, site);
  for (;;) {
    const step = steps.next();
    if (step.done) return step.value;
  }
}

/** The same, a result at a time: a bundle may hold thousands, and who judges them may have more to do. */
export function* historyInSteps(
  examination: ReadableExamination,
  facts: HistoryFacts,
  site: SiteFolder,
): Generator<void, HistoryAnswer> {
  const index = indexOfSite(site);
  const standing = standingOf(facts.sameBundleId, examination.canonicalDigest);
  const tellsRuns = doesTellRuns(examination, site);
  const runs = judgeRuns(examination, facts, tellsRuns);
  const sense = facts.sense ?? NOTHING_KNOWN;
  const about = { examination, facts, standing, newGaps: runs.newGaps, sense };
  const onEarlier = new Map<string, EarlierFinding>();
  const { instrumentSerial } = examination.header;
  const results: ResultHistory[] = [];
  for (const examined of examination.results) {
    results.push(judgeResult(examined, instrumentSerial, facts, index, runs, onEarlier));
    yield;
  }
  return {
    bundle: standing,
    bundleFindings: BUNDLE_HISTORY_RULES.flatMap((rule) => applyRule(rule, about, '')),
    results,
    onEarlier: [...onEarlier.values()],
    gaps: runs.gaps,
    unjoinedEpochs: tellsRuns ? findUnjoinedEpochs(examination, facts) : [],
    overlaps: runs.overlaps,
  };
}

function standingOf(known: string | null | undefined, digest: string | null): Standing {
  if (known === null || known === undefined) return 'new';
  return known === digest ? 'repeated' : 'conflict';
}

function judgeResult(
  examined: ExaminedResult,
  instrument: string | null,
  facts: HistoryFacts,
  site: SiteIndex,
  runs: RunJudgement,
  onEarlier: Map<string, EarlierFinding>,
): ResultHistory {
  const { reading, pointer } = examined;
  const receipt = receiptOf(examined, facts);
  const standing = standingOfResult(examined, facts);
  const isOverlap = standing === 'new' && runs.isCovered(reading.runNumber);
  const repeatsHeld =
    standing === 'repeated' && facts.results.get(reading.resultId ?? '')?.isOutWithBundle === true;
  const sense = facts.sense ?? NOTHING_KNOWN;
  const about = { examined, site, standing, repeatsHeld, receipt, isOverlap, instrument, sense };
  const findings = RESULT_HISTORY_RULES.flatMap((rule) => applyRule(rule, about, pointer));
  for (const { code } of findings) addEarlier(onEarlier, code, about);
  const expectedMaterial = receipt?.material ?? null;
  const compared = expectedMaterial ?? reading.material;
  return {
    pointer,
    standing,
    repeatsHeld,
    findings,
    expectedMaterial,
    contrary:
      reading.decision === null || isContrary(reading.decision, reading.matchedMaterial, compared),
  };
}

/** Adds what a finding on this result says about earlier ones. */
function addEarlier(
  onEarlier: Map<string, EarlierFinding>,
  code: string,
  about: ResultHistoryCase,
): void {
  for (const rule of EARLIER_RULES) {
    if (rule.pairedWith !== code) continue;
    const keyOf = (rowId: string) => `${rule.info.code} ${rowId}`;
    for (const { earlier, found } of rule.find(about, (id) => onEarlier.has(keyOf(id)))) {
      const { rowId, bundleRowId, receiptId } = earlier;
      const pointer = `${earlier.pointer}${found.pointer}`;
      const finding = asFinding(rule.info, { ...found, pointer });
      onEarlier.set(keyOf(rowId), { rowId, bundleRowId, receiptId, finding });
    }
  }
}

function receiptOf({ reading }: ExaminedResult, facts: HistoryFacts): ReceiptFacts | null {
  return reading.receiptScanned === null
    ? null
    : (facts.receipts.get(reading.receiptScanned) ?? null);
}

function standingOfResult({ reading, sha256 }: ExaminedResult, facts: HistoryFacts): Standing {
  return reading.resultId === null
    ? 'new'
    : standingOf(facts.results.get(reading.resultId)?.sha256, sha256);
}

interface RunJudgement {
  readonly gaps: readonly RunRange[];
  readonly newGaps: readonly RunRange[];
  readonly overlaps: readonly RunRange[];
  readonly isCovered: (run: number | null) => boolean;
}

/**
 * A bundle that no instrument of this environment sent says nothing of what the handheld still holds, whatever run numbers
 * it names (release-safety rules 7 and 10). One whose origin cannot be read is held, and stands for its runs so.
 */
export function doesTellRuns(
  { header: { origin } }: ReadableExamination,
  { environment }: Pick<SiteFolder, 'environment'>,
): boolean {
  return origin === null || originCovers(environment, origin);
}

/**
 * Runs begin at 1 in every epoch, so what lies below the first run ever heard of is a gap too. A document
 * without the shape of a bundle accounts for the runs that could be read and states no last run.
 */
function judgeRuns(
  examination: ReadableExamination,
  facts: HistoryFacts,
  tellsRuns: boolean,
): RunJudgement {
  const epoch = examination.header.runEpoch;
  if (epoch === null) return { gaps: [], newGaps: [], overlaps: [], isCovered: () => false };
  const covered = joinSpans(spansOfEpoch(facts.instrument?.covered ?? [], epoch));
  const lastKnown = facts.instrument?.epoch === epoch ? facts.instrument.lastRun : 0;
  const before = gapsBelow(Math.max(lastKnown, covered.at(-1)?.to ?? 0), covered);
  const accounted = spansOfEpoch(examination.accounted, epoch);
  const now = joinSpans([...covered, ...accounted]);
  const stated = examination.document?.runs.last ?? 0;
  const after = tellsRuns
    ? gapsBelow(Math.max(lastKnown, stated, now.at(-1)?.to ?? 0), now)
    : before;
  return {
    gaps: rangesOf(after, epoch),
    newGaps: rangesOf(subtractSpans(after, before), epoch),
    overlaps: rangesOf(intersectSpans(newRuns(examination, facts), covered), epoch),
    isCovered: (run) => run !== null && covered.some((span) => span.from <= run && run <= span.to),
  };
}

/**
 * Run numbers show what is missing inside an epoch, and nothing of how the one before it ended: only the
 * bundle that the first bundle of an epoch follows on does. Bundles of an epoch are taken in any order, so the
 * first one is known by its runs. The first epoch ever heard of follows on nothing, until one before it comes.
 */
function findUnjoinedEpochs(
  { header, document, rawSha256 }: ReadableExamination,
  { instrument }: HistoryFacts,
): UnjoinedEpoch[] {
  const { runEpoch: epoch, previousBundle } = header;
  if (epoch === null || instrument === null) return [];
  const { unaskedBeginnings: unasked } = instrument;
  if (unasked !== undefined) {
    return unasked.missing
      .filter((sha256) => sha256 !== rawSha256)
      .map((sha256) => ({ epoch: unasked.epoch, previousBundle: sha256 }));
  }
  if (document === null) return [];
  const { first, last } = document.runs;
  const isFirst = first === 1 || (first === null && last === 0);
  const followsAnother =
    instrument.epoch < epoch || instrument.covered.some((range) => range.epoch < epoch);
  const isJoined = previousBundle !== null && instrument.bundles.has(previousBundle);
  return isFirst && followsAnother && !isJoined ? [{ epoch, previousBundle }] : [];
}

function gapsBelow(
  last: number,
  covered: readonly { readonly from: number; readonly to: number }[],
): readonly { readonly from: number; readonly to: number }[] {
  return subtractSpans([{ from: 1, to: last }], covered);
}

/** Runs of results and performance checks that are not known already with the same content. */
function newRuns(
  examination: ReadableExamination,
  facts: HistoryFacts,
): { from: number; to: number }[] {
  const results = examination.results
    .filter((result) => standingOfResult(result, facts) !== 'repeated')
    .map((result) => result.reading.runNumber);
  const checks = examination.performanceChecks
    .filter(
      ({ check, sha256 }) =>
        check !== null && facts.performanceChecks.get(check.checkId) !== sha256,
    )
    .map(({ check }) => check?.runNumber ?? null);
  return [...results, ...checks].flatMap((run) => (run === null ? [] : [{ from: run, to: run }]));
}
