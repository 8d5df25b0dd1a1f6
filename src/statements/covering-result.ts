import { addMs, formatInstant, type Instant } from '../formats/instant.js';
import { normaliseLabel } from '../receipts/label.js';
import {
  approvalFor,
  isInvalidated,
  type MeasuredSpan,
  whyNotInForce,
} from '../site/method-force.js';
import type { Method, MethodApproval } from '../site/site-folder.js';
import { isContrary, originCovers } from '../site/vocabulary.js';
import { type DecisionFacts, decisionFaults } from './decisions.js';
import type { ReceiptFacts, ResultFact, SiteRules, StatementFacts } from './facts.js';

/**
 * Why a result does not cover its container; an empty list means that it does (rules 3, 5, 7, 8). Each
 * reason belongs to the condition it is shown under.
 */
export interface CoverageGap {
  readonly condition: 'coverage' | 'methods-by-content' | 'recheck' | 'origin-and-environment';
  readonly reason: string;
}

/** True when the result speaks against its receipt, in whatever state it is (rule 8). */
export function isContraryResult(result: ResultFact, expectedMaterial: string | null): boolean {
  if (result.contrary) return true;
  if (result.decision === null) return false;
  return isContrary(result.decision, result.matchedMaterial, expectedMaterial);
}

export function coverageGaps(
  result: ResultFact,
  receipt: ReceiptFacts,
  facts: DecisionFacts,
  now: Instant,
): CoverageGap[] {
  const { site } = facts;
  return [
    ...measurementGaps(result, receipt, now, site.limits.futureToleranceMs),
    ...labelGaps(result, receipt),
    ...methodGaps(result, receipt, site),
    ...recheckGaps(result, facts),
    ...originGaps(result, site),
  ];
}

function measurementGaps(
  result: ResultFact,
  receipt: ReceiptFacts,
  now: Instant,
  futureToleranceMs: number,
): CoverageGap[] {
  const gaps: string[] = [];
  if (result.state !== 'accepted') gaps.push(`is ${result.state}`);
  // What only a signed act made acceptable is so for as long as the signature holds.
  else if (isReviewVoid(result)) gaps.push('was cleared by a signature that is void');
  if (result.awaitsSecondLook === true) {
    gaps.push('is still to be compared with what was settled at the same moment');
  }
  if (result.mode !== 'verification') gaps.push(`was measured in ${result.mode ?? 'unknown'} mode`);
  if (result.decision !== 'pass') gaps.push(`decided ${result.decision ?? 'nothing readable'}`);
  if (result.measuredAt === null) gaps.push('has no readable time of measurement');
  else if (receipt.receivedAt === null) gaps.push('cannot be set against an unknown goods receipt');
  else if (possibleSpan(result, result.measuredAt).from <= receipt.receivedAt) {
    gaps.push(notAfterReceipt(result, result.measuredAt, receipt.receivedAt));
  } else if (result.measuredAt > addMs(now, futureToleranceMs)) {
    gaps.push(`states a time of measurement in the future, ${formatInstant(result.measuredAt)}`);
  }
  return gaps.map((reason) => ({ condition: 'coverage', reason }));
}

/** Rule 3; by rule 30 whatever the offset was that somebody assumed. */
function notAfterReceipt(result: ResultFact, measuredAt: Instant, receivedAt: Instant): string {
  const received = `goods receipt at ${formatInstant(receivedAt)}`;
  if (measuredAt <= receivedAt) {
    return `was measured at ${formatInstant(measuredAt)}, not after ${received}`;
  }
  const { from } = possibleSpan(result, measuredAt);
  return `was measured at ${formatInstant(measuredAt)} by an assumed offset, perhaps at ${formatInstant(from)}: not certainly after ${received}`;
}

/** True when a person signed about it and what was signed reads differently now. */
export function isReviewVoid({ review }: ResultFact): boolean {
  return review !== null && !review.isValid;
}

/** The receipt counts as it was scanned; a lot or material beside it must not say otherwise. */
function labelGaps(result: ResultFact, receipt: ReceiptFacts): CoverageGap[] {
  const gaps: string[] = [];
  const { material, supplierLot, siteLot } = receipt.identity;
  const scanned = normaliseLabel(result.receiptScanned ?? '');
  const { attribution } = result;
  // Receipt and lot were read off the labels by the signed act; the method's material is not a matter of labels. Where the
  // receipt went on as another one, that may have been told its lot since.
  const isAttributed = attribution?.isValid === true;
  if (attribution?.isValid === false) gaps.push('was attributed by a signature that is void');
  if (
    !isAttributed &&
    scanned !== receipt.scanText &&
    !receipt.lineage.scanTexts.includes(scanned)
  ) {
    gaps.push(`scanned "${result.receiptScanned ?? ''}", the receipt shows "${receipt.scanText}"`);
  }
  if (result.material !== null && material !== null && result.material !== material) {
    gaps.push(`was taken as material ${result.material}, the receipt expects ${material}`);
  }
  const lots = [supplierLot, siteLot].filter((l) => l !== null).map(normaliseLabel);
  const lot = (isAttributed ? attribution.lot : null) ?? result.lot;
  if (lot !== null && lots.length > 0 && !lots.includes(normaliseLabel(lot))) {
    gaps.push(`names lot ${lot}, the receipt has ${lots.join(' and ')}`);
  }
  return gaps.map((reason) => ({ condition: 'coverage', reason }));
}

function methodGaps(result: ResultFact, receipt: ReceiptFacts, site: SiteRules): CoverageGap[] {
  const { material } = receipt.identity;
  const name = `${result.methodId ?? 'unknown'} version ${result.methodVersion ?? 'unknown'}`;
  const method = registeredMethod(result, site);
  const gaps: string[] = [];
  if (!method) gaps.push(`used method ${name}, which is not registered`);
  else {
    if (method.mode !== 'verification') gaps.push(`used method ${name}, which does not verify`);
    if (result.methodDigest !== method.contentDigest) {
      gaps.push(`used method ${name} with other content than registered`);
    }
    gaps.push(...forceGaps(result, method, name));
    if (approvalOf(result, method, material) === null) {
      gaps.push(
        `used method ${name}, which is not approved for ${material ?? 'an unknown material'}`,
      );
    }
  }
  return gaps.map((reason) => ({ condition: 'methods-by-content', reason }));
}

/** The version in force when it was measured, and not found wrong since (rules 5, 20 and 30). */
function forceGaps(result: ResultFact, method: Method, name: string): string[] {
  const gaps: string[] = [];
  if (isInvalidated(method)) gaps.push(`used method ${name}, which was found wrong`);
  const span = spanOf(result);
  const why = span && whyNotInForce(method, span);
  if (why) gaps.push(`used method ${name}, which ${why}`);
  return gaps;
}

/** When it can have been measured; null when nobody can read it, which covers nothing anyway. */
export function spanOf(result: ResultFact): MeasuredSpan | null {
  return result.measuredAt === null ? null : possibleSpan(result, result.measuredAt);
}

function possibleSpan({ measuredSpan }: ResultFact, measuredAt: Instant): MeasuredSpan {
  return measuredSpan ?? { from: measuredAt, to: measuredAt };
}

function recheckGaps(result: ResultFact, facts: DecisionFacts): CoverageGap[] {
  if (result.recheck === 'agrees') return [];
  const said = `has a recheck that says ${result.recheck ?? 'nothing'}`;
  const decision = notRecomputableBy(result, facts.site);
  if (decision === null) return [{ condition: 'recheck', reason: said }];
  const what = `what declares ${result.methodId} version ${result.methodVersion} not recomputable`;
  return decisionFaults(facts, decision, what, 'everywhere').map((fault) => ({
    condition: 'recheck',
    reason: `${said}: ${fault}`,
  }));
}

/**
 * Rule 5: the decision that lets a result count although nobody can recompute it, signed or not; null where the registry
 * declares nothing of the kind, and for every other answer of the recheck. What cannot be recomputed for any reason but
 * the declared one is held, so it does not come here as accepted.
 */
export function notRecomputableBy(result: ResultFact, site: SiteRules): string | null {
  if (result.recheck !== 'not-recomputable') return null;
  return registeredMethod(result, site)?.notRecomputable ?? null;
}

function originGaps(result: ResultFact, site: SiteRules): CoverageGap[] {
  const gaps: string[] = [];
  if (result.origin === null || !originCovers(site.environment, result.origin)) {
    gaps.push(
      `has origin ${result.origin ?? 'unknown'}, which does not count in ${site.environment}`,
    );
  }
  if (result.environment !== site.environment) {
    gaps.push(`comes from environment ${result.environment ?? 'unknown'}, not ${site.environment}`);
  }
  return gaps.map((reason) => ({ condition: 'origin-and-environment', reason }));
}

/** Serials of the instruments that measured the receipt, or what may be its own. */
export function measuringInstruments(facts: Pick<StatementFacts, 'results' | 'claims'>): string[] {
  return [...facts.results, ...facts.claims.map((claim) => claim.result)]
    .map((result) => result.instrument)
    .filter((serial) => serial !== null);
}

export function registeredMethod(result: ResultFact, site: SiteRules): Method | null {
  return (
    site.methods.find((m) => m.id === result.methodId && m.version === result.methodVersion) ?? null
  );
}

/** What approved the method for the material the receipt expects, when it was measured. */
export function approvalOf(
  result: ResultFact,
  method: Method,
  material: string | null,
): MethodApproval | null {
  const span = spanOf(result);
  return span && approvalFor(method, material, span);
}
