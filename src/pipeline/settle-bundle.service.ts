import { uuidv7 } from 'uuidv7';
import { recordAudit } from '../audit/audit.store.js';
import { coverOf } from '../checks/bundle-traces.js';
import { type ReadableExamination, spectrumDigestsOf } from '../checks/examination.js';
import type { HistoryAnswer } from '../checks/history-facts.js';
import { doesTellRuns, historyInSteps } from '../checks/history-rules.js';
import { copyDigest } from '../checks/intensity-digest.js';
import type { SeriesFinding } from '../checks/series.js';
import type { Instant } from '../formats/instant.js';
import { insertFindings } from '../intake/bundles.store.js';
import { siteInForce } from '../methods/method-registry.store.js';
import { shareSiteEvidence, tellWaitingReceipts } from '../receipts/facts.store.js';
import { drumNumber, normaliseLabel } from '../receipts/label.js';
import { receiptsComingOf } from '../receipts/lineage.store.js';
import { type ReceiptLocks, transactLocking } from '../receipts/receipt-locks.store.js';
import { ensureScannedReceipt } from '../receipts/receipts.store.js';
import { receiptsInReach } from '../receipts/scan-match.js';
import { loadScanTargets } from '../receipts/scan-targets.store.js';
import type { NewDiscrepancy } from '../reconciliation/discrepancies.js';
import { openDiscrepancy } from '../reconciliation/discrepancies.store.js';
import type { SiteFolder } from '../site/site-folder.js';
import { originCovers } from '../site/vocabulary.js';
import type { StatementsService } from '../statements/statements.service.js';
import { step } from '../step.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import { sideBySide } from '../storage/side-by-side.js';
import type { BundleRow, InstrumentStateRow, PerformanceCheckRow } from '../storage/tables.js';
import { inTurns } from '../storage/turns.js';
import { AfterHolds } from './after-holds.service.js';
import { settleBundleRow } from './examination.store.js';
import type { ExaminedUnit } from './examined-unit.js';
import { failedTwice } from './failed-twice.service.js';
import { loadHistory, loadInstrumentState } from './history.store.js';
import { closeFilledGaps, storeInstrumentState } from './instrument-chain.store.js';
import { holdLane, type LaneClaim } from './lanes.store.js';
import { lockNamedIds, performanceOf } from './named-ids.store.js';
import { closeAnsweredFailures, openFailure, resultsAround } from './performance-failures.store.js';
import type { ResultMessages } from './result-messages.service.js';
import { needsSecondLook } from './second-look.service.js';
import { oweSecondLook } from './second-look.store.js';
import { insertTraces, loadSense } from './sense.store.js';
import { findAcrossSeries } from './series.store.js';
import { insertChecks, insertResults } from './settle.store.js';
import {
  findingRow,
  isCleanPass,
  ownerOf,
  resultRow,
  type SettledResult,
  settleResults,
} from './settled-result.js';
import { unownedEvidence } from './unowned-evidence.js';
import { lockInDoubt } from './unreadable-evidence.service.js';

type ReadableUnit = Extract<ExaminedUnit, { kind: 'readable' }>;

/** What a settled bundle asks of the others. */
export interface Settlement {
  /** A stop was issued, which goes out before anything else does. */
  readonly hasStop: boolean;
}

interface Settling {
  readonly bundle: BundleRow;
  readonly examination: ReadableExamination;
  /** Of its instrument, before this bundle. */
  readonly instrument: InstrumentStateRow | undefined;
  readonly history: HistoryAnswer;
  readonly results: readonly SettledResult[];
  /** About these results together with earlier ones; some are about the earlier ones. */
  readonly inSeries: readonly SeriesFinding[];
  readonly unowned: readonly NewDiscrepancy[];
  readonly now: Instant;
}

/**
 * The second transaction of a bundle (T2): its results, findings, deliveries and what it brings to light
 * are committed together, and every receipt of which it could make the statement worse is evaluated in it, so
 * that bad news and the stop it calls for are one commit.
 */
export class SettleBundleService {
  readonly #afterHolds: AfterHolds;

  constructor(
    private readonly database: OpenDatabase,
    private readonly site: SiteFolder,
    private readonly statements: StatementsService,
    private readonly messages: ResultMessages,
  ) {
    this.#afterHolds = new AfterHolds(site, messages);
  }

  /**
   * Settles a readable bundle, the next of its lane; null when it is not that, or when the lane is another
   * worker's by now.
   */
  settle(
    bundle: BundleRow,
    unit: ReadableUnit,
    now: Instant,
    lane: LaneClaim,
  ): Promise<Settlement | null> {
    return transactLocking(this.database, this.site.site, async (trx, locks) =>
      (await holdLane(trx, lane, bundle.id))
        ? this.#settleInTransaction(trx, locks, bundle, unit, now)
        : null,
    );
  }

  async #settleInTransaction(
    trx: Trx,
    locks: ReceiptLocks,
    bundle: BundleRow,
    unit: ReadableUnit,
    now: Instant,
  ): Promise<Settlement | null> {
    const { site } = this.site;
    await lockNamedIds(trx, site, idsNamedBy(unit.examination));
    const targets = await this.#lockNamedReceipts(trx, locks, unit.examination);
    const { examination } = unit;
    const { instrumentSerial } = examination.header;
    const [{ instrument, facts }, judging, sense] = await sideBySide(trx, [
      async () => {
        const before = await loadInstrumentState(trx, site, instrumentSerial);
        const known = await loadHistory(trx, site, bundle.id, examination, targets, before);
        return { instrument: before, facts: known };
      },
      () => siteInForce(trx, this.site),
      () => loadSense(trx, this.site, examination),
    ]);
    // Judged by methods that are not in force any more: it is looked at again.
    if (judging.state !== unit.registry) return null;
    const known = { ...facts, sense };
    const history = await inTurns(trx, historyInSteps(examination, known, judging.site));
    const results =
      history.bundle === 'repeated'
        ? []
        : settleResults(examination, unit.records, history, targets, uuidv7);
    await this.#afterHolds.lock(trx, locks, history.onEarlier);
    const identity = { rowId: bundle.id, site, receivedAt: bundle.received_at };
    const unowned =
      history.bundle === 'repeated'
        ? []
        : unownedEvidence(identity, examination, history, results, now);
    const { runEpoch: epoch } = examination.header;
    const series = { site, bundleRowId: bundle.id, instrument: instrumentSerial, epoch };
    const inSeries = await findAcrossSeries(trx, series, results);
    const settling = { bundle, examination, instrument, history, results, inSeries, unowned, now };
    if (!(await this.#settleRow(trx, settling))) return null;
    if (history.bundle === 'repeated') {
      await this.#joinEpochs(trx, settling);
      return { hasStop: false };
    }
    return { hasStop: await this.#store(trx, locks, settling) };
  }

  /**
   * Locks the receipts that scans name, in the order every transaction keeps: receipts by id, the site's
   * evidence after them.
   */
  async #lockNamedReceipts(trx: Trx, locks: ReceiptLocks, examination: ReadableExamination) {
    const { site } = this.site;
    const texts = new Set(
      examination.results.map((r) => normaliseLabel(r.reading.receiptScanned ?? '')),
    );
    texts.delete('');
    const ids: string[] = [];
    for (const text of [...texts].sort()) ids.push(await ensureScannedReceipt(trx, site, text));
    const superseded = await this.messages.receiptsOfSuperseded(trx, examination);
    await locks.add([...ids, ...superseded]);
    for (let reach = new Set([...ids, ...superseded]); ; ) {
      const targets = await loadScanTargets(trx, site, [...texts]);
      // One that was announced while its lock was waited for has another id now; containers may have gone elsewhere.
      const now = receiptsInReach(targets);
      await locks.add(now);
      if ([...now].every((id) => reach.has(id))) return targets;
      reach = new Set([...reach, ...now]);
    }
  }

  async #settleRow(trx: Trx, settling: Settling): Promise<boolean> {
    const { bundle, examination, history, now } = settling;
    const { header } = examination;
    const state = bundleState(settling);
    const settled = await settleBundleRow(trx, bundle.id, {
      state,
      settled_at: now,
      canonical_digest: examination.canonicalDigest,
      duplicate_of: history.bundle === 'repeated' ? await firstOf(trx, bundle, examination) : null,
      environment: header.environment,
      origin: header.origin,
      instrument_serial: header.instrumentSerial,
      run_epoch: header.runEpoch,
      run_first: header.runFirst,
      run_last: header.runLast,
    });
    if (!settled) return false;
    await recordAudit(trx, {
      site: this.site.site,
      zone: this.site.timeZone,
      at: now,
      actor: { kind: 'system', name: 'checks' },
      action: `bundle.${state}`,
      subjectKind: 'bundle',
      subjectId: bundle.id,
      before: { state: 'received' },
      after: {
        state,
        results: settling.results.length,
        held: settling.results.filter((r) => r.state === 'held').length,
        findings: [...examination.bundleFindings, ...history.bundleFindings].map((f) => f.code),
        ...(settling.inSeries.length === 0
          ? {}
          : {
              inSeries: settling.inSeries.map(({ rowId, finding }) => `${finding.code} ${rowId}`),
            }),
      },
    });
    step('S14');
    return true;
  }

  /**
   * A repeated bundle brings nothing new but its bytes, which the first bundle of an epoch may name as the one it follows
   * on: had it come before that one, nothing would be missing either.
   */
  async #joinEpochs(trx: Trx, { bundle, examination, now }: Settling): Promise<void> {
    const { site, timeZone: zone } = this.site;
    if (!doesTellRuns(examination, this.site)) return;
    const place = { rowId: bundle.id, site, zone };
    // Its runs are those of the first copy, which may have been refused: it fills no gap.
    await closeFilledGaps(trx, place, { ...examination, accounted: [] }, now);
    await tellWaitingReceipts(trx, site);
  }

  /** True when it calls for a stop. */
  async #store(trx: Trx, locks: ReceiptLocks, settling: Settling): Promise<boolean> {
    const { bundle, examination, history, instrument, results, unowned, now } = settling;
    const { site, timeZone: zone } = this.site;
    const place = { rowId: bundle.id, site, zone };
    const { origin } = examination.header;
    // A packed or simulated bundle says nothing of what the handheld still holds where it covers nothing.
    const isHeard =
      bundleState(settling) === 'accepted' &&
      origin !== null &&
      originCovers(this.site.environment, origin);
    const heard = { isHeard, receivedAt: bundle.received_at };
    const tellsRuns = doesTellRuns(examination, this.site);
    const [checks] = await sideBySide(trx, [
      () => insertChecks(trx, examination, place, heard),
      () => insertResults(trx, results, place, examination),
      () => insertTraces(trx, site, results),
      async () => {
        if (needsSecondLook(this.site, examination)) await oweSecondLook(trx, site, bundle.id);
      },
      () => insertFindings(trx, this.#findingRows(settling)),
      async () => {
        if (tellsRuns) await storeInstrumentState(trx, place, examination, instrument, heard);
      },
      async () => {
        if (tellsRuns) await closeFilledGaps(trx, place, examination, now);
      },
      () => tellWaitingReceipts(trx, site),
    ]);
    const worse = ownersOf(results.filter((result) => !isCleanPass(result)));
    for (const id of await this.#openUnowned(trx, locks, unowned)) worse.add(id);
    for (const id of await this.#receiptsInDoubt(trx, checks, now)) worse.add(id);
    // Before the supersessions: what is held waits for a reviewer, whatever an operator says of it.
    const own = results.map((result) => resultRow(result, place, examination));
    const withdrawn = await failedTwice(trx, this.site, checks, own);
    await this.#afterHolds.lock(trx, locks, withdrawn);
    const held = await this.#afterHolds.hold(trx, locks, [...history.onEarlier, ...withdrawn], now);
    for (const id of held.receipts) worse.add(id);
    const unheld = results.filter(({ rowId }) => !held.rowIds.has(rowId));
    const takenBack = await this.messages.takeBackSuperseded(trx, locks, unheld, now);
    for (const id of takenBack.receipts) worse.add(id);
    for (const id of await this.#comingOf(trx, locks, results)) worse.add(id);
    const touched = new Set([...worse, ...ownersOf(results)]);
    await locks.add(touched);
    for (const id of await this.#movedIntoDoubt(trx, locks, checks)) {
      worse.add(id);
      touched.add(id);
    }
    if (touched.size > 0) await shareSiteEvidence(trx, site);
    const standing = unheld.filter(({ rowId }) => !takenBack.rowIds.has(rowId));
    await this.messages.enqueue(trx, standing, now);
    let hasStop = false;
    for (const id of [...touched].sort()) {
      const evaluation = worse.has(id)
        ? await this.statements.evaluateInTransaction(trx, id, now)
        : await this.statements.evaluateImproved(trx, id, now);
      if (evaluation !== null && evaluation.stop !== 'none') hasStop = true;
    }
    return hasStop;
  }

  /**
   * Rules 8 and 19: receipts that list a drum of which a result of this bundle speaks badly, whatever receipt was scanned
   * with it; and those that came of one of which a result does, or names no container: it may be about theirs. Behind the
   * locks of the receipts that they came of, so that nothing goes on from those meanwhile.
   */
  async #comingOf(
    trx: Trx,
    locks: ReceiptLocks,
    results: readonly SettledResult[],
  ): Promise<Iterable<string>> {
    const doubted = ownersOf(
      results.filter(
        (result) =>
          !isCleanPass(result) ||
          (result.match.kind === 'receipt' && result.match.containerLabel === null),
      ),
    );
    const numbers = results.flatMap((result) =>
      isCleanPass(result) ? [] : (drumNumber(result.examined.reading.containerScanned ?? '') ?? []),
    );
    if (doubted.size + numbers.length === 0) return [];
    return locks.addListing(doubted, numbers, (ids) =>
      receiptsComingOf(trx, this.site.site, ids, numbers),
    );
  }

  /** Opens what has no owner and returns the conforming receipts it puts in doubt. */
  async #openUnowned(
    trx: Trx,
    locks: ReceiptLocks,
    unowned: readonly NewDiscrepancy[],
  ): Promise<string[]> {
    if (unowned.length === 0) return [];
    // What one bundle brings to light shares its scope: asked once, not once for each of thousands of results.
    const scopes = new Set(unowned.map((discrepancy) => discrepancy.scope ?? {}));
    const inDoubt = await lockInDoubt(trx, locks, this.statements, this.site.site, scopes);
    for (const discrepancy of unowned) {
      await openDiscrepancy(trx, discrepancy, this.site.timeZone);
    }
    return inDoubt;
  }

  /** Rule 13: what a check that did not pass puts in doubt, also what was delivered before. */
  async #receiptsInDoubt(
    trx: Trx,
    checks: readonly PerformanceCheckRow[],
    now: Instant,
  ): Promise<ReadonlySet<string>> {
    const { site, timeZone: zone, performance } = this.site;
    if (performance === null) return new Set();
    const inDoubt = await this.#receiptsAround(trx, checks);
    for (const check of checks) {
      if (check.verdict === 'fail') await openFailure(trx, check, now, zone);
    }
    const serial = checks.find(({ verdict }) => verdict === 'pass')?.instrument_serial;
    if (serial !== undefined) await closeAnsweredFailures(trx, { site, serial, now, zone });
    return inDoubt;
  }

  /**
   * The receipts in doubt behind their locks. Whoever gave a result to another receipt meanwhile saw nothing of a check
   * that is not committed, and this transaction nothing of that receipt. Moving a result takes the lock of its receipt,
   * or the site's evidence where it has none: with both held nothing is moved any more.
   */
  async #movedIntoDoubt(
    trx: Trx,
    locks: ReceiptLocks,
    checks: readonly PerformanceCheckRow[],
  ): Promise<ReadonlySet<string>> {
    if (checks.every(({ verdict }) => verdict === 'pass')) return new Set();
    await locks.shareEvidence();
    const inDoubt = await this.#receiptsAround(trx, checks);
    await locks.add(inDoubt);
    return inDoubt;
  }

  /** Receipts of the results around those checks that did not pass. */
  async #receiptsAround(trx: Trx, checks: readonly PerformanceCheckRow[]): Promise<Set<string>> {
    const found = new Set<string>();
    const { performance } = this.site;
    if (performance === null) return found;
    for (const check of checks) {
      if (check.verdict === 'pass') continue;
      const { receipts } = await resultsAround(trx, check, performance);
      for (const id of receipts) found.add(id);
    }
    return found;
  }

  #findingRows({ bundle, examination, history, results, inSeries }: Settling) {
    const at = { site: this.site.site, bundleRowId: bundle.id };
    return [
      ...[...examination.bundleFindings, ...history.bundleFindings].map((finding) =>
        findingRow(finding, { ...at, id: uuidv7(), resultRowId: null }),
      ),
      ...results.flatMap((result) =>
        result.findings.map((finding) =>
          findingRow(finding, { ...at, id: uuidv7(), resultRowId: result.rowId }),
        ),
      ),
      ...inSeries.map(({ rowId, bundleRowId, finding }) =>
        findingRow(finding, { site: at.site, bundleRowId, id: uuidv7(), resultRowId: rowId }),
      ),
    ];
  }
}

function ownersOf(results: readonly SettledResult[]): Set<string> {
  return new Set(results.map((r) => ownerOf(r.match)).filter((id) => id !== null));
}

/** accepted also when single results are held: only a fault of the bundle holds the bundle. */
function bundleState({ examination, history }: Settling): 'accepted' | 'held' | 'duplicate' {
  if (history.bundle === 'repeated') return 'duplicate';
  const findings = [...examination.bundleFindings, ...history.bundleFindings];
  return findings.some((finding) => finding.severity === 'hold') ? 'held' : 'accepted';
}

/** Every id that other documents may name as well, see `lockNamedIds`. */
function idsNamedBy({ header, results, performanceChecks }: ReadableExamination): string[] {
  const ids = results.flatMap(({ reading, result }) => [
    reading.resultId,
    result?.supersedes?.resultId ?? null,
  ]);
  // Of two copies, or two uses of a cover, settled at the same moment the second finds the first.
  const spectra = results.map((result) => copyDigest(spectrumDigestsOf(result)));
  const { instrumentSerial: serial } = header;
  const covers = results.map(({ result }) => (result === null ? null : coverOf(result)));
  return [
    `bundle:${header.bundleId}`,
    // Who signs the cause of a failed check at the same moment finds a pass behind it, or is found.
    ...(serial === null || performanceChecks.length === 0 ? [] : [performanceOf(serial)]),
    ...ids.filter((id) => id !== null).map((id) => `result:${id}`),
    ...spectra.filter((digest) => digest !== null).map((digest) => `spectrum:${digest}`),
    ...covers.filter((cover) => cover !== null).map((cover) => `cover:${cover}`),
  ];
}

async function firstOf(
  trx: Trx,
  bundle: BundleRow,
  examination: ReadableExamination,
): Promise<string | null> {
  const row = await trx
    .selectFrom('bundle')
    .select('id')
    .where('site', '=', bundle.site)
    .where('bundle_id', '=', examination.header.bundleId)
    .where('canonical_digest', '=', examination.canonicalDigest)
    .where('id', '!=', bundle.id)
    .orderBy('received_at')
    .orderBy('id')
    .limit(1)
    .executeTakeFirst();
  return row?.id ?? null;
}
