import type { Logger } from 'pino';
import type { AccessService } from '../access/access.service.js';
import type { Settings } from '../config.js';
import type { DashboardService } from '../dashboard/dashboard.service.js';
import type { DeliveryService } from '../delivery/delivery.service.js';
import type { DestinationControl } from '../delivery/destination-control.service.js';
import type { IntakeService } from '../intake/intake.service.js';
import type { WorkQueue } from '../queue/work-queue.js';
import type { ReceiptsService } from '../receipts/receipts.service.js';
import type { DestinationWatch } from '../reconciliation/destination-watch.service.js';
import type { ReconciliationService } from '../reconciliation/reconciliation.service.js';
import type { SweepService } from '../reconciliation/sweep.service.js';
import type { SweepRequests } from '../reconciliation/sweep-requests.service.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { StatementsService } from '../statements/statements.service.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase } from '../storage/database.js';
import type { BundlesService } from './bundles.service.js';
import type { CurrentStatements } from './current-statements.service.js';
import type { InstanceActs } from './instance-acts.service.js';
import type { RecoveryService } from './recovery.service.js';
import type { WorkerService } from './worker.service.js';

/** Everything one gateway process is made of, wired once by `openGateway`. */
export interface GatewayParts {
  readonly settings: Settings;
  readonly site: SiteFolder;
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly log: Logger;
  readonly queue: WorkQueue;
  readonly worker: WorkerService;
  readonly access: AccessService;
  readonly intake: IntakeService;
  readonly bundles: BundlesService;
  readonly receipts: ReceiptsService;
  readonly statements: StatementsService;
  readonly current: CurrentStatements;
  readonly deliveries: DeliveryService;
  readonly destinations: DestinationControl;
  readonly reconciliation: ReconciliationService;
  readonly watch: DestinationWatch;
  readonly recovery: RecoveryService;
  readonly instanceActs: InstanceActs;
  readonly sweeps: SweepService;
  readonly sweepRequests: SweepRequests;
  readonly dashboard: DashboardService;
  /** Worker threads, closed last but the database. */
  readonly pools: readonly { close(): Promise<void> }[];
}
