import { type DynamicModule, Module } from '@nestjs/common';
import { APP_GUARD, APP_INTERCEPTOR } from '@nestjs/core';
import { AccessGuard, ControlToken, GatewaySite, TrustedProxies } from './access/access.guard.js';
import { AccessService } from './access/access.service.js';
import { AccountsService } from './access/accounts.service.js';
import { BodiesInterceptor } from './access/bodies.interceptor.js';
import { BodiesUnderWay, bodyBounds } from './access/bodies-under-way.js';
import { KeysController } from './access/keys.controller.js';
import { PeopleController } from './access/people.controller.js';
import { PeopleService } from './access/people.service.js';
import { SessionsService } from './access/sessions.service.js';
import { SignInService } from './access/sign-in.service.js';
import { AccountController } from './dashboard/account.controller.js';
import { AnnouncePagesController } from './dashboard/announce-pages.controller.js';
import { AttributionPagesController } from './dashboard/attribution-pages.controller.js';
import { ATTRIBUTION_SOURCE } from './dashboard/attribution-source.js';
import { siteView } from './dashboard/build-day-view.js';
import { BundleReviewPagesController } from './dashboard/bundle-review-pages.controller.js';
import { CausePagesController } from './dashboard/cause-pages.controller.js';
import { CAUSE_SOURCE } from './dashboard/cause-source.js';
import { ChecksController } from './dashboard/checks.controller.js';
import { DashboardModule } from './dashboard/dashboard.module.js';
import { DecisionPagesController } from './dashboard/decision-pages.controller.js';
import { DECISION_SOURCE } from './dashboard/decision-source.js';
import { DeliveryPagesController } from './dashboard/delivery-pages.controller.js';
import { DiscrepancyPagesController } from './dashboard/discrepancy-pages.controller.js';
import { InspectionPagesController } from './dashboard/inspection-pages.controller.js';
import { INSPECTIONS_SOURCE } from './dashboard/inspections-source.js';
import { InstrumentPagesController } from './dashboard/instrument-pages.controller.js';
import { INSTRUMENTS_SOURCE } from './dashboard/instruments-source.js';
import { LabelPagesController } from './dashboard/label-pages.controller.js';
import { LABELS_SOURCE } from './dashboard/labels-source.js';
import { LostStopPagesController } from './dashboard/lost-stop-pages.controller.js';
import { LOST_STOPS_SOURCE } from './dashboard/lost-stops-source.js';
import { MethodPagesController } from './dashboard/method-pages.controller.js';
import { METHODS_SOURCE } from './dashboard/methods-source.js';
import { OriginPagesController } from './dashboard/origin-pages.controller.js';
import { ORIGIN_SOURCE } from './dashboard/origin-source.js';
import { PageSite } from './dashboard/page-site.js';
import { PeoplePagesController } from './dashboard/people-pages.controller.js';
import { PeopleViews } from './dashboard/people-views.service.js';
import { PerformanceCausePagesController } from './dashboard/performance-cause-pages.controller.js';
import { PERFORMANCE_CAUSE_SOURCE } from './dashboard/performance-cause-source.js';
import { PeriodPagesController } from './dashboard/period-pages.controller.js';
import { PERIOD_SOURCE, PERIOD_VIEW_SOURCE } from './dashboard/period-source.js';
import { RECEIPT_REVIEW_SOURCE } from './dashboard/receipt-review-source.js';
import { RejectionPagesController } from './dashboard/rejection-pages.controller.js';
import { REJECTION_SOURCE } from './dashboard/rejection-source.js';
import { ReviewPagesController } from './dashboard/review-pages.controller.js';
import { BUNDLE_REVIEW_SOURCE, REVIEW_SOURCE } from './dashboard/review-source.js';
import { SignInController } from './dashboard/sign-in.controller.js';
import { STOP_LIFT_SOURCE } from './dashboard/stop-lift-source.js';
import { TracePagesController } from './dashboard/trace-pages.controller.js';
import { TRACE_SOURCE } from './dashboard/trace-source.js';
import { TrailReviewPagesController } from './dashboard/trail-review-pages.controller.js';
import { TRAIL_REVIEW_SOURCE } from './dashboard/trail-review-source.js';
import { DAY_VIEW_SOURCE } from './dashboard/view-source.js';
import { DeliveriesController } from './delivery/deliveries.controller.js';
import { DeliveryActs } from './delivery/delivery-acts.service.js';
import { DestinationControl } from './delivery/destination-control.service.js';
import { DestinationsController } from './delivery/destinations.controller.js';
import { HealthController, ProcessStanding } from './health.controller.js';
import { BodyLimit, BundlesController } from './intake/bundles.controller.js';
import { IntakeService } from './intake/intake.service.js';
import { AssignedCauseController } from './pipeline/assigned-cause.controller.js';
import { AssignedCauseService } from './pipeline/assigned-cause.service.js';
import { AttributionController } from './pipeline/attribution.controller.js';
import { AttributionService } from './pipeline/attribution.service.js';
import { BundleReviewController } from './pipeline/bundle-review.controller.js';
import { BundleReviewService } from './pipeline/bundle-review.service.js';
import { ContainerRejectionController } from './pipeline/container-rejection.controller.js';
import { ContainerRejectionService } from './pipeline/container-rejection.service.js';
import type { GatewayParts } from './pipeline/gateway-parts.service.js';
import { InboundController } from './pipeline/inbound.controller.js';
import { InboundService } from './pipeline/inbound.service.js';
import { InspectionsController } from './pipeline/inspections.controller.js';
import { InspectionsService } from './pipeline/inspections.service.js';
import { InstanceController } from './pipeline/instance.controller.js';
import { InstanceActs } from './pipeline/instance-acts.service.js';
import { InstrumentPerformance } from './pipeline/instrument-performance.service.js';
import { LabelReviewController } from './pipeline/label-review.controller.js';
import { LabelReviewService } from './pipeline/label-review.service.js';
import { LostStopsController } from './pipeline/lost-stops.controller.js';
import { LostStopsService } from './pipeline/lost-stops.service.js';
import { MethodsController } from './pipeline/methods.controller.js';
import { MethodsService } from './pipeline/methods.service.js';
import { MissingDeliveriesController } from './pipeline/missing-deliveries.controller.js';
import { MissingDeliveries } from './pipeline/missing-deliveries.service.js';
import { OriginReviewController } from './pipeline/origin-review.controller.js';
import { OriginReviewService } from './pipeline/origin-review.service.js';
import { PerformanceController } from './pipeline/performance.controller.js';
import { PerformanceCauseService } from './pipeline/performance-cause.service.js';
import { PeriodViews } from './pipeline/period-views.service.js';
import { PeriodsController } from './pipeline/periods.controller.js';
import { PeriodsService } from './pipeline/periods.service.js';
import { ReceiptReviewController } from './pipeline/receipt-review.controller.js';
import { ReceiptReviewService } from './pipeline/receipt-review.service.js';
import { ReviewController } from './pipeline/review.controller.js';
import { ReviewService } from './pipeline/review.service.js';
import { SiteDecisionsController } from './pipeline/site-decisions.controller.js';
import { SiteDecisionsService } from './pipeline/site-decisions.service.js';
import { StopLiftController } from './pipeline/stop-lift.controller.js';
import { StopLiftService } from './pipeline/stop-lift.service.js';
import { TraceController } from './pipeline/trace.controller.js';
import { TraceService } from './pipeline/trace.service.js';
import { TrailReviewController } from './pipeline/trail-review.controller.js';
import { TrailReviewService } from './pipeline/trail-review.service.js';
import { ringDestinations } from './queue/work-queue.js';
import { AnnounceByHand } from './receipts/announce-by-hand.service.js';
import {
  AnnouncedBell,
  EXPECTATION_BYTES_MAX,
  ExpectationsController,
} from './receipts/expectations.controller.js';
import { ReceiptRequestsService } from './receipts/receipt-requests.service.js';
import { ReceiptsController } from './receipts/receipts.controller.js';
import { ReceiptsService } from './receipts/receipts.service.js';
import { DestinationWatch } from './reconciliation/destination-watch.service.js';
import { DiscrepanciesController } from './reconciliation/discrepancies.controller.js';
import { DiscrepanciesService } from './reconciliation/discrepancies.service.js';
import { RecomputeService } from './reconciliation/recompute.service.js';
import { ReconciliationController } from './reconciliation/reconciliation.controller.js';
import { ReconciliationService } from './reconciliation/reconciliation.service.js';
import { ReconciliationZone } from './reconciliation/reconciliation-zone.js';
import { SweepRequests } from './reconciliation/sweep-requests.service.js';
import { SweepsController } from './reconciliation/sweeps.controller.js';
import { FreshStatements } from './statements/fresh-statements.js';
import { StatementsController } from './statements/statements.controller.js';
import { Clock } from './storage/clock.js';
import { OpenDatabase } from './storage/database.js';

/** Everything that answers a request of its own, but the pages of `DashboardModule`. */
export const CONTROLLERS = [
  AccountController,
  AnnouncePagesController,
  BundleReviewController,
  AttributionPagesController,
  BundleReviewPagesController,
  AssignedCauseController,
  CausePagesController,
  AttributionController,
  ContainerRejectionController,
  BundlesController,
  ChecksController,
  DeliveriesController,
  DecisionPagesController,
  DeliveryPagesController,
  DestinationsController,
  DiscrepanciesController,
  DiscrepancyPagesController,
  ExpectationsController,
  HealthController,
  InboundController,
  InstanceController,
  InspectionPagesController,
  InstrumentPagesController,
  PerformanceCausePagesController,
  KeysController,
  InspectionsController,
  LabelReviewController,
  LabelPagesController,
  MethodPagesController,
  MethodsController,
  SiteDecisionsController,
  MissingDeliveriesController,
  OriginReviewController,
  PeopleController,
  PeoplePagesController,
  ReceiptsController,
  OriginPagesController,
  RejectionPagesController,
  PeriodPagesController,
  PerformanceController,
  PeriodsController,
  ReceiptReviewController,
  ReconciliationController,
  ReviewController,
  ReviewPagesController,
  SignInController,
  StatementsController,
  StopLiftController,
  LostStopsController,
  LostStopPagesController,
  SweepsController,
  TrailReviewController,
  TrailReviewPagesController,
  TraceController,
  TracePagesController,
] as const;

/** The HTTP rim around a gateway that is wired already. */
@Module({})
export class AppModule {
  static of(gateway: GatewayParts, controlToken: string): DynamicModule {
    const { site, database, clock, people, sessions } = gateway;
    const { bundleBytesMax } = site.limits;
    const pageSite = new PageSite(siteView(site));
    const ring = () => {
      gateway.queue.ring('receipts');
      ringDestinations(gateway.queue, site.destinations);
    };
    return {
      module: AppModule,
      imports: [
        DashboardModule.from(
          { provide: PageSite, useValue: pageSite },
          { provide: DAY_VIEW_SOURCE, useValue: gateway.dashboard },
          { provide: RECEIPT_REVIEW_SOURCE, useValue: gateway.receiptReviews },
          { provide: STOP_LIFT_SOURCE, useValue: gateway.stopLifts },
          { provide: INSPECTIONS_SOURCE, useValue: gateway.inspections },
          { provide: LABELS_SOURCE, useValue: gateway.labelReviews },
          { provide: LOST_STOPS_SOURCE, useValue: gateway.lostStops },
        ),
      ],
      controllers: [...CONTROLLERS],
      providers: [
        { provide: APP_GUARD, useClass: AccessGuard },
        { provide: APP_INTERCEPTOR, useClass: BodiesInterceptor },
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
        {
          provide: AnnounceByHand,
          useValue: new AnnounceByHand(
            database,
            clock,
            site,
            gateway.receipts,
            gateway.receiptRequests,
          ),
        },
        { provide: AnnouncedBell, useValue: { ring } },
        {
          provide: BodiesUnderWay,
          useValue: new BodiesUnderWay(bodyBounds(Math.max(bundleBytesMax, EXPECTATION_BYTES_MAX))),
        },
        { provide: BodyLimit, useValue: new BodyLimit(bundleBytesMax) },
        { provide: Clock, useValue: gateway.clock },
        { provide: ControlToken, useValue: new ControlToken(controlToken) },
        { provide: DeliveryActs, useValue: gateway.deliveryActs },
        { provide: MissingDeliveries, useValue: gateway.missingDeliveries },
        { provide: DestinationControl, useValue: gateway.destinations },
        { provide: FreshStatements, useValue: gateway.current },
        { provide: GatewaySite, useValue: new GatewaySite(site.site) },
        { provide: InstanceActs, useValue: gateway.instanceActs },
        { provide: IntakeService, useValue: gateway.intake },
        { provide: OpenDatabase, useValue: gateway.database },
        { provide: ProcessStanding, useValue: standingOf(gateway) },
        { provide: InboundService, useValue: gateway.inbound },
        { provide: ReceiptRequestsService, useValue: gateway.receiptRequests },
        { provide: ReceiptsService, useValue: gateway.receipts },
        { provide: DestinationWatch, useValue: gateway.watch },
        { provide: SweepRequests, useValue: gateway.sweepRequests },
        { provide: OriginReviewService, useValue: gateway.originReviews },
        { provide: ORIGIN_SOURCE, useValue: gateway.originReviews },
        { provide: InspectionsService, useValue: gateway.inspections },
        { provide: INSPECTIONS_SOURCE, useValue: gateway.inspections },
        { provide: LabelReviewService, useValue: gateway.labelReviews },
        { provide: LABELS_SOURCE, useValue: gateway.labelReviews },
        { provide: DAY_VIEW_SOURCE, useValue: gateway.dashboard },
        { provide: DiscrepanciesService, useValue: gateway.discrepancies },
        { provide: PeriodsService, useValue: gateway.periods },
        { provide: PERIOD_SOURCE, useValue: gateway.periods },
        { provide: PeriodViews, useValue: gateway.periodViews },
        { provide: PERIOD_VIEW_SOURCE, useValue: gateway.periodViews },
        { provide: ReceiptReviewService, useValue: gateway.receiptReviews },
        { provide: AssignedCauseService, useValue: gateway.causes },
        { provide: CAUSE_SOURCE, useValue: gateway.causes },
        { provide: AttributionService, useValue: gateway.attributions },
        { provide: ContainerRejectionService, useValue: gateway.rejections },
        { provide: REJECTION_SOURCE, useValue: gateway.rejections },
        { provide: PerformanceCauseService, useValue: gateway.performanceCauses },
        { provide: PERFORMANCE_CAUSE_SOURCE, useValue: gateway.performanceCauses },
        { provide: InstrumentPerformance, useValue: gateway.performance },
        { provide: INSTRUMENTS_SOURCE, useValue: gateway.performance },
        { provide: StopLiftService, useValue: gateway.stopLifts },
        { provide: LostStopsService, useValue: gateway.lostStops },
        { provide: LOST_STOPS_SOURCE, useValue: gateway.lostStops },
        { provide: MethodsService, useValue: gateway.methods },
        { provide: SiteDecisionsService, useValue: gateway.siteDecisions },
        { provide: DECISION_SOURCE, useValue: gateway.siteDecisions },
        { provide: METHODS_SOURCE, useValue: gateway.methods },
        { provide: ReviewService, useValue: gateway.reviews },
        { provide: REVIEW_SOURCE, useValue: gateway.reviews },
        { provide: ATTRIBUTION_SOURCE, useValue: gateway.attributions },
        { provide: BundleReviewService, useValue: gateway.bundleReviews },
        { provide: BUNDLE_REVIEW_SOURCE, useValue: gateway.bundleReviews },
        { provide: TraceService, useValue: gateway.tracing },
        { provide: TRACE_SOURCE, useValue: gateway.tracing },
        { provide: TrailReviewService, useValue: gateway.trailReviews },
        { provide: TRAIL_REVIEW_SOURCE, useValue: gateway.trailReviews },
        { provide: ReconciliationService, useValue: gateway.reconciliation },
        { provide: ReconciliationZone, useValue: new ReconciliationZone(site.timeZone) },
        { provide: RecomputeService, useValue: gateway.recomputation },
      ],
    };
  }
}

/** What a process without an API says of itself: that it is live, and that its database answers. */
@Module({})
export class HealthModule {
  static of(gateway: Pick<GatewayParts, 'database' | 'worker'>): DynamicModule {
    return {
      module: HealthModule,
      controllers: [HealthController],
      providers: [
        { provide: OpenDatabase, useValue: gateway.database },
        { provide: ProcessStanding, useValue: standingOf(gateway) },
      ],
    };
  }
}

function standingOf({ worker }: Pick<GatewayParts, 'worker'>): ProcessStanding {
  return new ProcessStanding(() => worker.whyAnew);
}
