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
import { BundleReviewPagesController } from './dashboard/bundle-review-pages.controller.js';
import { DashboardModule } from './dashboard/dashboard.module.js';
import { PageSite } from './dashboard/page-site.js';
import { PeoplePagesController } from './dashboard/people-pages.controller.js';
import { PeopleViews } from './dashboard/people-views.service.js';
import { ReviewPagesController } from './dashboard/review-pages.controller.js';
import { BUNDLE_REVIEW_SOURCE, REVIEW_SOURCE } from './dashboard/review-source.js';
import { SignInController } from './dashboard/sign-in.controller.js';
import { TrailReviewPagesController } from './dashboard/trail-review-pages.controller.js';
import { TRAIL_REVIEW_SOURCE } from './dashboard/trail-review-source.js';
import { DAY_VIEW_SOURCE } from './dashboard/view-source.js';
import { HealthController } from './health.controller.js';
import { BodyLimit, BundlesController } from './intake/bundles.controller.js';
import { IntakeService } from './intake/intake.service.js';
import { BundleReviewController } from './pipeline/bundle-review.controller.js';
import { BundleReviewService } from './pipeline/bundle-review.service.js';
import type { GatewayParts } from './pipeline/gateway-parts.service.js';
import { LabelReviewController } from './pipeline/label-review.controller.js';
import { LabelReviewService } from './pipeline/label-review.service.js';
import { OriginReviewController } from './pipeline/origin-review.controller.js';
import { OriginReviewService } from './pipeline/origin-review.service.js';
import { ReviewController } from './pipeline/review.controller.js';
import { ReviewService } from './pipeline/review.service.js';
import { TrailReviewController } from './pipeline/trail-review.controller.js';
import { TrailReviewService } from './pipeline/trail-review.service.js';
import { AnnouncedBell, ExpectationsController } from './receipts/expectations.controller.js';
import { ReceiptRequestsService } from './receipts/receipt-requests.service.js';
import { ReceiptsController } from './receipts/receipts.controller.js';
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
  BundleReviewController,
  BundleReviewPagesController,
  BundlesController,
  ExpectationsController,
  HealthController,
  KeysController,
  LabelReviewController,
  OriginReviewController,
  PeopleController,
  PeoplePagesController,
  ReceiptsController,
  ReconciliationController,
  ReviewController,
  ReviewPagesController,
  SignInController,
  StatementsController,
  TrailReviewController,
  TrailReviewPagesController,
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
      imports: [DashboardModule.from({ provide: DAY_VIEW_SOURCE, useValue: gateway.dashboard })],
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
        { provide: ReceiptRequestsService, useValue: gateway.receiptRequests },
        { provide: ReceiptsService, useValue: gateway.receipts },
        { provide: OriginReviewService, useValue: gateway.originReviews },
        { provide: LabelReviewService, useValue: gateway.labelReviews },
        { provide: ReviewService, useValue: gateway.reviews },
        { provide: REVIEW_SOURCE, useValue: gateway.reviews },
        { provide: BundleReviewService, useValue: gateway.bundleReviews },
        { provide: BUNDLE_REVIEW_SOURCE, useValue: gateway.bundleReviews },
        { provide: TrailReviewService, useValue: gateway.trailReviews },
        { provide: TRAIL_REVIEW_SOURCE, useValue: gateway.trailReviews },
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
