import { type DynamicModule, Module } from '@nestjs/common';
import { APP_GUARD } from '@nestjs/core';
import { AccessGuard, ControlToken, GatewaySite, TrustedProxies } from './access/access.guard.js';
import { AccessService } from './access/access.service.js';
import { AccountsService } from './access/accounts.service.js';
import { KeysController } from './access/keys.controller.js';
import { PeopleController } from './access/people.controller.js';
import { PeopleService } from './access/people.service.js';
import { SessionsService } from './access/sessions.service.js';
import { SignInService } from './access/sign-in.service.js';
import { AccountController } from './dashboard/account.controller.js';
import { siteView } from './dashboard/build-day-view.js';
import { DashboardModule } from './dashboard/dashboard.module.js';
import { PageSite } from './dashboard/page-site.js';
import { PeoplePagesController } from './dashboard/people-pages.controller.js';
import { PeopleViews } from './dashboard/people-views.service.js';
import { RECEIPT_REVIEW_SOURCE } from './dashboard/receipt-review-source.js';
import { ReviewPagesController } from './dashboard/review-pages.controller.js';
import { REVIEW_SOURCE } from './dashboard/review-source.js';
import { SignInController } from './dashboard/sign-in.controller.js';
import { STOP_LIFT_SOURCE } from './dashboard/stop-lift-source.js';
import { DAY_VIEW_SOURCE } from './dashboard/view-source.js';
import { HealthController } from './health.controller.js';
import { BodyLimit, BundlesController } from './intake/bundles.controller.js';
import { IntakeService } from './intake/intake.service.js';
import { AssignedCauseController } from './pipeline/assigned-cause.controller.js';
import { AssignedCauseService } from './pipeline/assigned-cause.service.js';
import type { GatewayParts } from './pipeline/gateway-parts.service.js';
import { ReceiptReviewController } from './pipeline/receipt-review.controller.js';
import { ReceiptReviewService } from './pipeline/receipt-review.service.js';
import { ReviewController } from './pipeline/review.controller.js';
import { ReviewService } from './pipeline/review.service.js';
import { StopLiftController } from './pipeline/stop-lift.controller.js';
import { StopLiftService } from './pipeline/stop-lift.service.js';
import { TraceController } from './pipeline/trace.controller.js';
import { AnnouncedBell, ExpectationsController } from './receipts/expectations.controller.js';
import { ReceiptsService } from './receipts/receipts.service.js';
import { ReconciliationController } from './reconciliation/reconciliation.controller.js';
import { ReconciliationService } from './reconciliation/reconciliation.service.js';
import { FreshStatements } from './statements/fresh-statements.js';
import { StatementsController } from './statements/statements.controller.js';
import { Clock } from './storage/clock.js';
import { OpenDatabase } from './storage/database.js';

/** Everything that answers a request of its own, but the pages of `DashboardModule`. */
export const CONTROLLERS = [
  AccountController,
  AssignedCauseController,
  BundlesController,
  ExpectationsController,
  HealthController,
  KeysController,
  PeopleController,
  PeoplePagesController,
  ReceiptReviewController,
  ReconciliationController,
  ReviewController,
  ReviewPagesController,
  SignInController,
  StatementsController,
  StopLiftController,
  TraceController,
] as const;

/** The HTTP rim around a gateway that is wired already. */
@Module({})
export class AppModule {
  static of(gateway: GatewayParts, controlToken: string): DynamicModule {
    const { site, database, clock, people, sessions } = gateway;
    const pageSite = new PageSite(siteView(site));
    const ring = () => {
      gateway.queue.ring('receipts');
      for (const { name } of site.destinations) {
        gateway.queue.ringHere(`stops:${name}`);
        gateway.queue.ring(`deliveries:${name}`);
      }
    };
    return {
      module: AppModule,
      imports: [
        DashboardModule.from(
          { provide: DAY_VIEW_SOURCE, useValue: gateway.dashboard },
          { provide: RECEIPT_REVIEW_SOURCE, useValue: gateway.receiptReviews },
          { provide: STOP_LIFT_SOURCE, useValue: gateway.stopLifts },
        ),
      ],
      controllers: [...CONTROLLERS],
      providers: [
        { provide: APP_GUARD, useClass: AccessGuard },
        { provide: AccessService, useValue: gateway.access },
        { provide: AccountsService, useValue: gateway.accounts },
        { provide: PageSite, useValue: pageSite },
        { provide: PeopleService, useValue: people },
        {
          provide: PeopleViews,
          useValue: new PeopleViews(database, clock, pageSite, people, sessions),
        },
        { provide: SessionsService, useValue: sessions },
        { provide: SignInService, useValue: gateway.signIn },
        {
          provide: TrustedProxies,
          useValue: new TrustedProxies(gateway.settings.trustedProxies),
        },
        { provide: AnnouncedBell, useValue: { ring } },
        { provide: BodyLimit, useValue: new BodyLimit(site.limits.bundleBytesMax) },
        { provide: Clock, useValue: gateway.clock },
        { provide: ControlToken, useValue: new ControlToken(controlToken) },
        { provide: FreshStatements, useValue: gateway.current },
        { provide: GatewaySite, useValue: new GatewaySite(site.site) },
        { provide: IntakeService, useValue: gateway.intake },
        { provide: OpenDatabase, useValue: gateway.database },
        { provide: ReceiptsService, useValue: gateway.receipts },
        { provide: ReceiptReviewService, useValue: gateway.receiptReviews },
        { provide: AssignedCauseService, useValue: gateway.causes },
        { provide: StopLiftService, useValue: gateway.stopLifts },
        { provide: ReviewService, useValue: gateway.reviews },
        { provide: REVIEW_SOURCE, useValue: gateway.reviews },
        { provide: ReconciliationService, useValue: gateway.reconciliation },
      ],
    };
  }
}

/** What a process without an API says of itself: that it is live, and that its database answers. */
@Module({})
export class HealthModule {
  static of(database: OpenDatabase): DynamicModule {
    return {
      module: HealthModule,
      controllers: [HealthController],
      providers: [{ provide: OpenDatabase, useValue: database }],
    };
  }
}
