import type { Logger } from 'pino';
import { uuidv7 } from 'uuidv7';
import { recordAudit } from '../audit/audit.store.js';
import type { Finding } from '../checks/finding.js';
import type { StopsFirst } from '../delivery/stops-first.service.js';
import { insertFindings, insertLane } from '../intake/bundles.store.js';
import { siteInForce } from '../methods/method-registry.store.js';
import { transactLocking } from '../receipts/receipt-locks.store.js';
import type { SiteFolder } from '../site/site-folder.js';
import { step } from '../step.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import { dialectOf } from '../storage/dialect.js';
import type { BundleRow } from '../storage/tables.js';
import type { WorkerIdentity } from '../storage/worker-identity.js';
import {
  addStrike,
  isAnyWaitingThrough,
  lastWaiting,
  markExamining,
  settleBundleRow,
  suspectsAmong,
  unmarkExamined,
} from './examination.store.js';
import { type ExaminePool, UnitDied } from './examine.pool.js';
import type { ExamineChild } from './examine-child.endpoint.js';
import type { ExaminedUnit } from './examined-unit.js';
import {
  claimLanes,
  freeLanes,
  holdLane,
  type LaneClaim,
  missingLanes,
  releaseLanes,
  waitingBundles,
} from './lanes.store.js';
import type { SecondLook } from './second-look.service.js';
import type { SettleBundleService, Settlement } from './settle-bundle.service.js';
import { findingRow } from './settled-result.js';
import type { UnreadableEvidence } from './unreadable-evidence.service.js';

/** Bundles looked at in one go: enough to keep the pool busy, few enough that a stop is never far. */
const BATCH = 16;
const STRIKES_MAX = 3;
/** Lanes in one go: a few where others want some too, all there are likely to be where nobody else works. */
const LANES_SHARED = 4;
const LANES_ALONE = 1_000;
/** A lane whose next bundle cannot be settled is left alone this long, twice as long every time. */
const LEFT_ALONE_MS = 500;
const LEFT_ALONE_MS_MAX = 60_000;
/** How often it is looked for lanes that are not there: a process that starts looks at once. */
const LANES_EVERY_MS = 2_000;
/** Lanes that the log names. */
const LANES_NAMED_MAX = 20;

const DIED: Finding = {
  code: 'examination-died',
  severity: 'hold',
  pointer: '',
  message: `examining it ended its thread, or the process it had for itself, ${STRIKES_MAX} times`,
  advice: 'Have the bytes looked at; they are kept. Send what they should have said again.',
};

export interface BundlesServiceParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly pool: Pick<ExaminePool, 'examine'>;
  /** For what may have ended a process: nothing but it ends this one. */
  readonly child: Pick<ExamineChild, 'examine'>;
  /** The stored bytes of a digest, without holding up anybody for large ones. */
  readonly loadBytes: (sha256: string) => Promise<Uint8Array | undefined>;
  readonly settling: SettleBundleService;
  readonly unreadable: UnreadableEvidence;
  /** Of what is settled here or was left by another, where several processes share the database. */
  readonly secondLook: Pick<SecondLook, 'round'>;
  readonly worker: WorkerIdentity;
  readonly stopsFirst: StopsFirst;
  readonly log: Logger;
  /** After a commit that may have made deliveries or changed receipts, and may have issued a stop. */
  readonly onSettled: (settlement: Settlement) => void;
}

/** What one look at the store brought: bundles of lanes that are this worker's until it gives them back. */
interface Batch {
  readonly bundles: readonly BundleRow[];
  readonly lanes: ReadonlyMap<string, LaneClaim>;
  /** One that may have ended a process. */
  readonly isSuspect: boolean;
  readonly worker: string;
  /** Of its bundles: examined to an end, and not settled. */
  readonly unsettled: Set<string>;
}

interface Trouble {
  readonly failures: number;
  readonly notBeforeMs: number;
}

/**
 * Examines bundles in the pool and settles them: those of one lane, which is one instrument's, in the order they
 * arrived, whichever process examines them; those of different lanes beside each other.
 */
export class BundlesService {
  /** Lanes whose next bundle could not be settled, by a fault of ours: left alone for a while. */
  readonly #troubled = new Map<string, Trouble>();
  readonly #isShared: boolean;
  #lanesLookedAt = Number.NEGATIVE_INFINITY;

  constructor(private readonly parts: BundlesServiceParts) {
    this.#isShared = dialectOf(parts.database.db).isShared;
  }

  /** Settles what waits; true when there may be more. */
  async workOnce(): Promise<boolean> {
    const { database, worker } = this.parts;
    if (!worker.mayStart) return false;
    await this.#addLanes();
    const batch = await database.transact((trx) => this.#claim(trx, worker.id));
    if (batch.bundles.length === 0) return await this.#lookAgain();
    try {
      await this.#examineAndSettle(batch);
    } finally {
      await database.transact((trx) => giveBack(trx, batch));
    }
    await this.#lookAgain();
    return true;
  }

  /** Adds lanes that are not there: what waits in one would wait until its instrument is new to some process. */
  async #addLanes(): Promise<void> {
    const at = performance.now();
    if (at - this.#lanesLookedAt < LANES_EVERY_MS) return;
    const { database, log } = this.parts;
    const { site } = this.parts.site;
    const names = await missingLanes(database.db, site);
    if (names.length > 0) {
      await database.transact(async (trx) => {
        for (const name of names) await insertLane(trx, { site, name, worker: null, fence: 0 });
      });
      log.warn({
        event: 'bundle.lanes-added',
        lanes: names.slice(0, LANES_NAMED_MAX),
        count: names.length,
      });
    }
    this.#lanesLookedAt = at;
  }

  /** True when there may be more to look at. What fails is noted, and looked at again by whoever comes next. */
  async #lookAgain(): Promise<boolean> {
    if (!this.#isShared) return false;
    const { secondLook, onSettled, log } = this.parts;
    try {
      const { bundles, hasStop, isMore } = await secondLook.round();
      if (bundles > 0) onSettled({ hasStop });
      return isMore;
    } catch (err) {
      log.error({ event: 'bundle.second-look-failed', err });
      return false;
    }
  }

  /** Number of the last bundle taken in so far that is not settled; null when none waits. */
  async lastWaiting(): Promise<number | null> {
    const { database, site } = this.parts;
    return await lastWaiting(database.db, site.site);
  }

  /** True when every bundle taken in up to the one of that number has been settled. */
  async isSettledThrough(number: number): Promise<boolean> {
    const { database, site } = this.parts;
    return !(await isAnyWaitingThrough(database.db, site.site, number));
  }

  /** Takes lanes, and notes who examines what of them before the first of it is touched. */
  async #claim(trx: Trx, worker: string): Promise<Batch> {
    const { site } = this.parts.site;
    const limit = this.#isShared ? LANES_SHARED : LANES_ALONE;
    const free = await freeLanes(trx, { site, worker, except: this.#leftAlone(), limit });
    const waiting = free.length === 0 ? [] : await waitingBundles(trx, site, free, BATCH);
    const unsettled = new Set<string>();
    if (waiting.length === 0) {
      return { bundles: [], lanes: new Map(), isSuspect: false, worker, unsettled };
    }
    const suspects = await suspectsAmong(trx, waiting, worker);
    const end = waiting.findIndex((bundle) => bundle.strikes > 0 || suspects.has(bundle.id));
    // One at a time, each in a process of its own.
    const bundles = waiting.slice(0, end === -1 ? waiting.length : Math.max(end, 1));
    const names = [...new Set(bundles.map(({ lane }) => lane))];
    const claims = await claimLanes(trx, { site, worker, names });
    const ids = bundles.map(({ id }) => id);
    await markExamining(trx, ids, worker);
    return {
      bundles,
      lanes: new Map(claims.map((claim) => [claim.name, claim])),
      isSuspect: end === 0,
      worker,
      unsettled,
    };
  }

  #leftAlone(): string[] {
    const now = performance.now();
    return [...this.#troubled].filter(([, t]) => t.notBeforeMs > now).map(([lane]) => lane);
  }

  async #examineAndSettle(batch: Batch): Promise<void> {
    const { bundles, lanes, unsettled, isSuspect } = batch;
    const by = isSuspect ? this.parts.child : this.parts.pool;
    // Started together, settled in order: the next bundle of an instrument builds on the one before it.
    const examined = bundles.map((bundle) => ({
      bundle,
      unit: this.#examine(bundle, by).finally(() => unsettled.add(bundle.id)),
    }));
    for (const { unit } of examined) unit.catch(() => undefined);
    // Lanes go beside each other, each on a connection; on a file everything shares one writer.
    const runs = this.#isShared
      ? [...lanes.keys()].map((lane) => examined.filter(({ bundle }) => bundle.lane === lane))
      : [examined];
    const commits: Promise<boolean>[] = [];
    const ends = await Promise.allSettled(runs.map((run) => this.#settleRun(run, batch, commits)));
    const settled = await Promise.allSettled(commits);
    const failed = [...ends, ...settled].find((end) => end.status === 'rejected');
    const isAnySettled = settled.some((end) => end.status === 'fulfilled' && end.value);
    if (failed && !isAnySettled) throw failed.reason;
  }

  /** Settles one behind the other what is examined beside each other. */
  async #settleRun(
    run: readonly { readonly bundle: BundleRow; readonly unit: Promise<ExaminedUnit | UnitDied> }[],
    { lanes, unsettled }: Batch,
    commits: Promise<boolean>[],
  ): Promise<void> {
    for (const { bundle, unit } of run) {
      const claim = lanes.get(bundle.lane);
      if (!claim) throw new Error(`lane ${bundle.lane} was not claimed`);
      const outcome = await this.#blaming(bundle, unit.catch(deathOrThrow));
      const begin = await this.#turnOf(outcome);
      const settling = begin(() => this.#settle(bundle, outcome, claim));
      const commit = this.#blaming(bundle, settling).then((isSettled) => {
        if (isSettled) unsettled.delete(bundle.id);
        return isSettled;
      });
      commit.catch(() => undefined);
      commits.push(commit);
      // On a file transactions run in the order they are asked for, so nobody has to wait for the commit before.
      if (this.#isShared && !(await commit)) return;
    }
  }

  /** Begins to settle a bundle: one that may call for a stop at once, any other behind the stops on their way. */
  async #turnOf(outcome: ExaminedUnit | UnitDied): Promise<Begin> {
    const { stopsFirst } = this.parts;
    if (isBadNews(outcome)) return (work) => stopsFirst.run(work);
    await stopsFirst.whenNone();
    return (work) => work();
  }

  /** What fails by no fault of the bundle's must not keep other lanes from their turn. */
  async #blaming<T>({ id, lane }: BundleRow, work: Promise<T>): Promise<T> {
    try {
      return await work;
    } catch (err) {
      const failures = (this.#troubled.get(lane)?.failures ?? 0) + 1;
      const waitMs = Math.min(LEFT_ALONE_MS_MAX, LEFT_ALONE_MS * 2 ** (failures - 1));
      this.#troubled.set(lane, { failures, notBeforeMs: performance.now() + waitMs });
      this.parts.log.error({ event: 'bundle.settling-failed', bundle: id, lane, failures, err });
      throw err;
    }
  }

  async #examine(
    bundle: BundleRow,
    by: Pick<ExaminePool, 'examine'>,
  ): Promise<ExaminedUnit | UnitDied> {
    // It has ended a thread or a process too often already.
    if (bundle.strikes >= STRIKES_MAX) return new UnitDied(null);
    const bytes = await this.parts.loadBytes(bundle.raw_sha256);
    if (!bytes) throw new Error(`bundle ${bundle.id} has no bytes`);
    const { clock, database } = this.parts;
    const { site, state: registry } = await siteInForce(database.db, this.parts.site);
    const task = { bytes, receivedAt: bundle.received_at, now: clock.now(), registry };
    const unit = await by.examine(task, site);
    step('S5');
    return unit;
  }

  /** False when it is not settled: it is looked at again, or another worker has its lane by now. */
  async #settle(
    bundle: BundleRow,
    unit: ExaminedUnit | UnitDied,
    claim: LaneClaim,
  ): Promise<boolean> {
    const { settling, clock, onSettled } = this.parts;
    let settled: Settlement | null;
    if (unit instanceof UnitDied) settled = await this.#strike(bundle, unit, claim);
    else if (unit.kind === 'unreadable') {
      settled = await this.#giveUp(bundle, claim, 'refused', unit.finding);
    } else settled = await settling.settle(bundle, unit, clock.now(), claim);
    if (settled === null) return false;
    this.#troubled.delete(bundle.lane);
    step('S6');
    onSettled(settled);
    step('S7');
    return true;
  }

  async #strike(bundle: BundleRow, error: UnitDied, claim: LaneClaim): Promise<Settlement | null> {
    const { database, log } = this.parts;
    log.error({ event: 'bundle.examination-died', bundle: bundle.id, err: error });
    if (bundle.strikes + 1 >= STRIKES_MAX) return this.#giveUp(bundle, claim, 'parked', DIED);
    await database.transact(async (trx) => {
      if (await holdLane(trx, claim, bundle.id)) await addStrike(trx, bundle.id);
    });
    return null;
  }

  /** Ends a bundle that cannot be read after all; its bytes stay, and may hold bad news. */
  #giveUp(
    bundle: BundleRow,
    claim: LaneClaim,
    state: 'refused' | 'parked',
    finding: Finding,
  ): Promise<Settlement | null> {
    const { database, clock, site, unreadable } = this.parts;
    return transactLocking(database, site.site, async (trx, locks) => {
      const now = clock.now();
      if (!(await holdLane(trx, claim, bundle.id))) return null;
      if (!(await settleBundleRow(trx, bundle.id, { state, settled_at: now }))) return null;
      await insertFindings(trx, [
        findingRow(finding, {
          id: uuidv7(),
          site: site.site,
          bundleRowId: bundle.id,
          resultRowId: null,
        }),
      ]);
      const { message } = finding;
      const bytes = { id: bundle.id, receivedAt: bundle.received_at, message };
      const hasStop = await unreadable.open(trx, locks, bytes, now);
      await recordAudit(trx, {
        site: site.site,
        zone: site.timeZone,
        at: now,
        actor: { kind: 'system', name: 'checks' },
        action: `bundle.${state}`,
        subjectKind: 'bundle',
        subjectId: bundle.id,
        before: { state: 'received' },
        after: { state, finding: finding.code },
      });
      return { hasStop };
    });
  }
}

/** Ends what a claim began: others may have its lanes, and what it examined without an end stays to be looked into. */
async function giveBack(trx: Trx, { lanes, unsettled, worker }: Batch): Promise<void> {
  await releaseLanes(trx, [...lanes.values()]);
  await unmarkExamined(trx, [...unsettled], worker);
}

/**
 * What can be known of it before it is settled. A stop that only its history calls for goes out as ever; it began among
 * others.
 */
function isBadNews(outcome: ExaminedUnit | UnitDied): boolean {
  if (outcome instanceof UnitDied || outcome.kind === 'unreadable') return true;
  const { results, performanceChecks } = outcome.examination;
  return (
    results.some(({ reading }) => reading.decision === 'fail' || reading.decision === 'no-match') ||
    performanceChecks.some(({ judgement }) => judgement?.verdict === 'fail')
  );
}

type Begin = (work: () => Promise<boolean>) => Promise<boolean>;

/** A unit that died is an outcome; any other error is a defect. */
function deathOrThrow(error: unknown): UnitDied {
  if (error instanceof UnitDied) return error;
  throw error;
}
