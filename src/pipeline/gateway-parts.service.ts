import type { Logger } from 'pino';
import type { AccessService } from '../access/access.service.js';
import type { AccountsService } from '../access/accounts.service.js';
import type { PeopleService } from '../access/people.service.js';
import type { SessionsService } from '../access/sessions.service.js';
import type { SignInService } from '../access/sign-in.service.js';
import type { TrailSealer } from '../audit/sealer.service.js';
import type { Settings } from '../config.js';
import type { DashboardService } from '../dashboard/dashboard.service.js';
import type { DeliveryService } from '../delivery/delivery.service.js';
import type { IntakeService } from '../intake/intake.service.js';
import type { WorkQueue } from '../queue/work-queue.js';
import type { ReceiptsService } from '../receipts/receipts.service.js';
import type { ReconciliationService } from '../reconciliation/reconciliation.service.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { StatementsService } from '../statements/statements.service.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase } from '../storage/database.js';
import type { AssignedCauseService } from './assigned-cause.service.js';
import type { BundlesService } from './bundles.service.js';
import type { CurrentStatements } from './current-statements.service.js';
import type { ReceiptReviewService } from './receipt-review.service.js';
import type { ReviewService } from './review.service.js';
import type { StopEscalationService } from './stop-escalation.service.js';
import type { StopLiftService } from './stop-lift.service.js';
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
  readonly sealer: TrailSealer;
  readonly access: AccessService;
  readonly accounts: AccountsService;
  readonly people: PeopleService;
  readonly sessions: SessionsService;
  readonly signIn: SignInService;
  readonly intake: IntakeService;
  readonly bundles: BundlesService;
  readonly reviews: ReviewService;
  readonly receiptReviews: ReceiptReviewService;
  readonly stopLifts: StopLiftService;
  readonly causes: AssignedCauseService;
  readonly escalations: StopEscalationService;
  readonly receipts: ReceiptsService;
  readonly statements: StatementsService;
  readonly current: CurrentStatements;
  readonly deliveries: DeliveryService;
  readonly reconciliation: ReconciliationService;
  readonly dashboard: DashboardService;
  /** Worker threads, closed last but the database. */
  readonly pools: readonly { close(): Promise<void> }[];
}
