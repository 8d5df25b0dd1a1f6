import type { Logger } from 'pino';
import { uuidv7 } from 'uuidv7';
import { recordAudit } from '../audit/audit.store.js';
import type { Finding } from '../checks/finding.js';
import type { Instant } from '../formats/instant.js';
import { insertFindings, loadRawBytes } from '../intake/bundles.store.js';
import type { SiteFolder } from '../site/site-folder.js';
import { step } from '../step.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase } from '../storage/database.js';
import type { BundleRow } from '../storage/tables.js';
import type { WorkerIdentity } from '../storage/worker-identity.js';
import {
  addStrike,
  collectSuspects,
  markExamining,
  settleBundleRow,
  waitingBundles,
  waitingSince,
} from './examination.store.js';
import { type ExaminePool, UnitDied } from './examine.pool.js';
import type { ExaminedUnit } from './examined-unit.js';
import type { SettleBundleService, SettlingOrder } from './settle-bundle.service.js';
import { findingRow } from './settled-result.js';
import type { UnreadableEvidence } from './unreadable-evidence.service.js';

/** Bundles looked at in one go: enough to keep the pool busy, few enough that a stop is never far. */
const BATCH = 16;
const STRIKES_MAX = 3;

const DIED: Finding = {
  code: 'examination-died',
  severity: 'hold',
  pointer: '',
  message: `examining it ended its thread or the process ${STRIKES_MAX} times`,
  advice: 'Have the bytes looked at; they are kept. Send what they should have said again.',
};

export interface BundlesServiceParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly pool: Pick<ExaminePool, 'examine'>;
  readonly settling: SettleBundleService;
  readonly unreadable: UnreadableEvidence;
  readonly worker: WorkerIdentity;
  readonly log: Logger;
  /** After a commit that may have made deliveries or changed receipts. */
  readonly onSettled: () => void;
}

/** Examines bundles in the pool and settles them in the order they arrived. */
export class BundlesService {
  /** What a dead process was examining: looked at one by one, so that the guilty one is found. */
  #suspects: Set<string> | null = null;

  constructor(private readonly parts: BundlesServiceParts) {}

  /** Settles what waits; true when there may be more. */
  async workOnce(): Promise<boolean> {
    const { database, site } = this.parts;
    this.#suspects ??= new Set(await database.transact((trx) => collectSuspects(trx, site.site)));
    const waiting = await waitingBundles(database.db, site.site, BATCH);
    if (waiting.length === 0) return false;
    const batch = this.#nextBatch(waiting);
    const [first] = batch;
    if (first && first.strikes >= STRIKES_MAX) {
      await this.#giveUp(first, 'parked', DIED);
      return true;
    }
    const isAlone = batch.length === 1 && first !== undefined && this.#isSuspect(first);
    await database.transact((trx) =>
      markExamining(
        trx,
        batch.map((b) => b.id),
        this.parts.worker.id,
        isAlone,
      ),
    );
    // Started together, settled in order: the next bundle of an instrument builds on the one before it.
    const examined = batch.map((bundle) => ({ bundle, unit: this.#examine(bundle) }));
    for (const { unit } of examined) unit.catch(() => undefined);
    const order = { isBroken: false };
    const commits: Promise<void>[] = [];
    try {
      for (const { bundle, unit } of examined) {
        const outcome = await unit.catch(deathOrThrow);
        commits.push(this.#settle(bundle, outcome, order));
      }
    } finally {
      await allOrThrow(commits);
    }
    return true;
  }

  /** True when every bundle taken in at or before `until` has been settled. */
  async isSettledThrough(until: Instant): Promise<boolean> {
    const { database, site } = this.parts;
    return (await waitingSince(database.db, site.site, until)) === 0;
  }

  #nextBatch(waiting: readonly BundleRow[]): BundleRow[] {
    const [first] = waiting;
    if (first && this.#isSuspect(first)) return [first];
    const end = waiting.findIndex((bundle) => this.#isSuspect(bundle));
    return end === -1 ? [...waiting] : waiting.slice(0, end);
  }

  #isSuspect(bundle: BundleRow): boolean {
    return bundle.strikes > 0 || (this.#suspects?.has(bundle.id) ?? false);
  }

  async #examine(bundle: BundleRow): Promise<ExaminedUnit> {
    const bytes = await loadRawBytes(this.parts.database.db, bundle.raw_sha256);
    if (!bytes) throw new Error(`bundle ${bundle.id} has no bytes`);
    const now = this.parts.clock.now();
    const unit = await this.parts.pool.examine({ bytes, receivedAt: bundle.received_at, now });
    step('S5');
    return unit;
  }

  /** Transactions run in the order they are asked for, so nobody has to wait for the commit before. */
  async #settle(
    bundle: BundleRow,
    unit: ExaminedUnit | UnitDied,
    order: SettlingOrder,
  ): Promise<void> {
    const { settling, clock, onSettled } = this.parts;
    if (unit instanceof UnitDied) {
      // It is looked at again: what stands behind it waits, since without it its runs would look like a gap.
      order.isBroken = true;
      await this.#strike(bundle, unit);
      return;
    }
    if (unit.kind === 'unreadable') await this.#giveUp(bundle, 'refused', unit.finding);
    else await settling.settle(bundle, unit, clock.now(), order);
    if (order.isBroken) return;
    this.#suspects?.delete(bundle.id);
    step('S6');
    onSettled();
    step('S7');
  }

  async #strike(bundle: BundleRow, error: UnitDied): Promise<void> {
    const { database, log } = this.parts;
    log.error({ event: 'bundle.examination-died', bundle: bundle.id, err: error });
    if (bundle.strikes + 1 < STRIKES_MAX) {
      await database.transact((trx) => addStrike(trx, bundle.id));
      return;
    }
    await this.#giveUp(bundle, 'parked', DIED);
  }

  /** Ends a bundle that cannot be read after all; its bytes stay, and may hold bad news. */
  #giveUp(bundle: BundleRow, state: 'refused' | 'parked', finding: Finding): Promise<void> {
    const { database, clock, site, unreadable } = this.parts;
    return database.transact(async (trx) => {
      const now = clock.now();
      if (!(await settleBundleRow(trx, bundle.id, { state, settled_at: now }))) return;
      await insertFindings(trx, [
        findingRow(finding, {
          id: uuidv7(),
          site: site.site,
          bundleRowId: bundle.id,
          resultRowId: null,
        }),
      ]);
      const { message } = finding;
      await unreadable.open(trx, { id: bundle.id, receivedAt: bundle.received_at, message }, now);
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
    });
  }
}

/** A unit that died is an outcome; any other error is a defect. */
function deathOrThrow(error: unknown): UnitDied {
  if (error instanceof UnitDied) return error;
  throw error;
}

/** Waits for all of them, then throws the first failure. */
async function allOrThrow(commits: readonly Promise<void>[]): Promise<void> {
  for (const end of await Promise.allSettled(commits)) {
    if (end.status === 'rejected') throw end.reason;
  }
}
