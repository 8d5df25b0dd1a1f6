import type { ReadableExamination } from '../checks/examination.js';
import type { EarlierFinding } from '../checks/history-facts.js';
import { type FoundPair, findTogether } from '../checks/second-look.js';
import { indexOfSite, type SiteIndex } from '../checks/site-index.js';
import { requireFolderInForce } from '../methods/method-registry.store.js';
import { markEvaluationDue, shareSiteEvidence } from '../receipts/facts.store.js';
import { type ReceiptLocks, transactLocking } from '../receipts/receipt-locks.store.js';
import type { Limit } from '../site/signal-limits.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { StatementsService } from '../statements/statements.service.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import { sideBySide } from '../storage/side-by-side.js';
import { AfterHolds } from './after-holds.service.js';
import { codesOn, resultRowsByIds } from './after-holds.store.js';
import { lockNamedIds } from './named-ids.store.js';
import type { ResultMessages } from './result-messages.service.js';
import {
  endSecondLooks,
  measurementsBeside,
  measurementsOf,
  receiptsOfBundles,
  takeSecondLooks,
} from './second-look.store.js';

/** Bundles that are looked at in one transaction. */
const BATCH = 16;

export interface SecondLookParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly statements: StatementsService;
  readonly messages: ResultMessages;
}

/** What a round of second looks brought. */
export interface Looked {
  /** Bundles whose results count from now on, as far as they were not held. */
  readonly bundles: number;
  readonly hasStop: boolean;
  /** There may be more bundles to look at. */
  readonly isMore: boolean;
}

/** True where results of the bundle are compared with earlier ones by a rule that no lock orders. */
export function needsSecondLook(site: SiteFolder, { results }: ReadableExamination): boolean {
  const { noiseCorrelationMax, pace } = site.signal ?? {};
  return results.some(
    ({ pattern, reading }) =>
      (noiseCorrelationMax !== undefined && pattern !== null) ||
      (pace?.secondsBetweenAreasMin !== undefined &&
        reading.operatorId !== null &&
        reading.measuredAt !== null),
  );
}

/**
 * Looks again at bundles that were settled. Two that are settled at the same moment see nothing of each other; of their
 * second looks, which come when they are committed, the later one sees both. Locking the method or the operator instead
 * would let instruments settle one after the other.
 */
export class SecondLook {
  readonly #afterHolds: AfterHolds;
  readonly #index: SiteIndex;

  constructor(private readonly parts: SecondLookParts) {
    this.#afterHolds = new AfterHolds(parts.site, parts.messages);
    this.#index = indexOfSite(parts.site);
  }

  /** Looks at some of the bundles that wait for it, also of those that a process left when it died. */
  round(): Promise<Looked> {
    const { database, site } = this.parts;
    return transactLocking(database, site.site, (trx, locks) => this.#look(trx, locks));
  }

  async #look(trx: Trx, locks: ReceiptLocks): Promise<Looked> {
    const { site } = this.parts.site;
    const bundles = await takeSecondLooks(trx, site, BATCH);
    const isMore = bundles.length === BATCH;
    if (bundles.length === 0) return { bundles: 0, hasStop: false, isMore };
    await requireFolderInForce(trx, this.parts.site);
    // Until now its results covered nothing, so that nothing conforms by one that is about to be held.
    await locks.add(await receiptsOfBundles(trx, site, bundles));
    const ofBundles = await sideBySide(
      trx,
      bundles.map((bundleRowId) => () => this.#pairs(trx, bundleRowId)),
    );
    const pairs = ofBundles.flat();
    const hasStop = pairs.length > 0 && (await this.#hold(trx, locks, pairs));
    // A signed act may have given one to another receipt, for which it covered nothing either. It takes the lock of the
    // receipt or, of a result without one, the site's evidence for itself: with both held nothing is given away any more.
    await locks.shareEvidence();
    const receipts = await receiptsOfBundles(trx, site, bundles);
    await locks.add(receipts);
    await endSecondLooks(trx, bundles);
    await markEvaluationDue(trx, site, receipts);
    return { bundles: bundles.length, hasStop, isMore };
  }

  async #pairs(trx: Trx, bundleRowId: string): Promise<FoundPair[]> {
    const { site, signal } = this.parts.site;
    const of = { site, bundleRowId };
    const own = await measurementsOf(trx, of);
    const limits = {
      noise: numberOf(signal?.noiseCorrelationMax),
      secondsApart: numberOf(signal?.pace.secondsBetweenAreasMin),
    };
    return findTogether(own, await measurementsBeside(trx, of, own, limits), this.#index);
  }

  /** True when it calls for a stop. */
  async #hold(trx: Trx, locks: ReceiptLocks, pairs: readonly FoundPair[]): Promise<boolean> {
    const { site, clock, statements } = this.parts;
    const all = pairs.flatMap(({ findings }) => findings);
    const before = await resultRowsByIds(trx, site.site, rowIdsOf(all));
    // Two processes may find one pair, about results of no receipt too.
    await lockNamedIds(
      trx,
      site.site,
      before.map((row) => `result:${row.result_id}`),
    );
    await this.#afterHolds.lock(trx, locks, all);
    const now = clock.now();
    const held = await this.#afterHolds.hold(trx, locks, await this.#unsaid(trx, pairs), now);
    if (held.rowIds.size === 0) return false;
    if (held.receipts.size > 0) await shareSiteEvidence(trx, site.site);
    let hasStop = false;
    for (const id of [...held.receipts].sort()) {
      const evaluation = await statements.evaluateInTransaction(trx, id, now);
      if (evaluation !== null && evaluation.stop !== 'none') hasStop = true;
    }
    return hasStop;
  }

  /** Findings about results that the rule has not held yet, one about each. */
  async #unsaid(trx: Trx, pairs: readonly FoundPair[]): Promise<EarlierFinding[]> {
    const ids = rowIdsOf(pairs.flatMap(({ findings }) => findings));
    const rows = await resultRowsByIds(trx, this.parts.site.site, ids);
    const known = new Set(await codesOn(trx, rows));
    const unsaid: EarlierFinding[] = [];
    for (const { codes, findings } of pairs) {
      for (const one of findings) {
        const said = [codes.later, codes.earlier].map((code) => `${one.rowId} ${code}`);
        if (said.some((key) => known.has(key))) continue;
        known.add(`${one.rowId} ${one.finding.code}`);
        unsaid.push(one);
      }
    }
    return unsaid;
  }
}

function numberOf(limit: Limit | undefined): number | null {
  return limit === undefined ? null : Number(limit.value);
}

function rowIdsOf(findings: readonly EarlierFinding[]): string[] {
  return [...new Set(findings.map(({ rowId }) => rowId))];
}
