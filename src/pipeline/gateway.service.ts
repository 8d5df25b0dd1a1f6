import type { Logger } from 'pino';
import type { AccessService } from '../access/access.service.js';
import type { Settings } from '../config.js';
import type { DashboardService } from '../dashboard/dashboard.service.js';
import type { DeliveryService } from '../delivery/delivery.service.js';
import type { IntakeService } from '../intake/intake.service.js';
import { WatchedFolder } from '../intake/watched-folder.service.js';
import type { WorkQueue } from '../queue/work-queue.js';
import type { ReceiptsService } from '../receipts/receipts.service.js';
import type { ReconciliationService } from '../reconciliation/reconciliation.service.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { StatementsService } from '../statements/statements.service.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase } from '../storage/database.js';
import type { BundlesService } from './bundles.service.js';
import type { CurrentStatements } from './current-statements.service.js';
import { answerBells } from './work-loop.js';
import { registerWorker, retireWorker } from './worker.store.js';

/** Everything one gateway process is made of, wired once by `openGateway`. */
export interface GatewayParts {
  readonly settings: Settings;
  readonly site: SiteFolder;
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly log: Logger;
  readonly queue: WorkQueue;
  readonly workerId: string;
  readonly access: AccessService;
  readonly intake: IntakeService;
  readonly bundles: BundlesService;
  readonly receipts: ReceiptsService;
  readonly statements: StatementsService;
  readonly current: CurrentStatements;
  readonly deliveries: DeliveryService;
  readonly reconciliation: ReconciliationService;
  readonly dashboard: DashboardService;
  /** Worker threads, closed last but the database. */
  readonly pools: readonly { close(): Promise<void> }[];
}

/** A wired gateway: it answers as it is, and works once told to. */
export class Gateway {
  #isWorking = false;
  #watched: WatchedFolder | null = null;

  constructor(readonly parts: GatewayParts) {}

  /** Takes up what a process before this one left, then works and takes bundles from the watched folder. */
  async work(): Promise<void> {
    const { settings, site, database, clock, log, workerId, deliveries, intake } = this.parts;
    this.#isWorking = true;
    await database.transact((trx) => registerWorker(trx, workerId, clock.now()));
    await deliveries.recover(clock.now());
    answerBells(this.parts);
    if (settings.watchDirectory !== null) {
      this.#watched = new WatchedFolder(
        {
          directory: settings.watchDirectory,
          site: site.site,
          bytesMax: site.limits.bundleBytesMax,
        },
        intake,
        database.db,
        log,
      );
      await this.#watched.start();
    }
    log.info({ event: 'gateway.working', worker: workerId, site: site.site });
  }

  /** Stops taking work, lets what runs end, and closes everything. */
  async close(): Promise<void> {
    const { deliveries, queue, database, workerId, clock, pools } = this.parts;
    await this.#watched?.stop();
    deliveries.stopTaking();
    await queue.drain();
    if (this.#isWorking) {
      await database.transact((trx) => retireWorker(trx, workerId, clock.now()));
    }
    await deliveries.close();
    for (const pool of pools) await pool.close();
    await database.close();
  }
}
