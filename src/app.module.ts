import { type DynamicModule, Module } from '@nestjs/common';
import { APP_GUARD, Reflector } from '@nestjs/core';
import { AccessService } from './access/access.service.js';
import { ApiKeyGuard, ControlToken, GatewaySite } from './access/api-key.guard.js';
import { KeysController } from './access/keys.controller.js';
import { DashboardModule } from './dashboard/dashboard.module.js';
import { DAY_VIEW_SOURCE } from './dashboard/view-source.js';
import { DestinationControl } from './delivery/destination-control.service.js';
import { DestinationsController } from './delivery/destinations.controller.js';
import { HealthController } from './health.controller.js';
import { BodyLimit, BundlesController } from './intake/bundles.controller.js';
import { IntakeService } from './intake/intake.service.js';
import type { GatewayParts } from './pipeline/gateway-parts.service.js';
import { InstanceController } from './pipeline/instance.controller.js';
import { InstanceActs } from './pipeline/instance-acts.service.js';
import { AnnouncedBell, ExpectationsController } from './receipts/expectations.controller.js';
import { ReceiptsService } from './receipts/receipts.service.js';
import { DestinationWatch } from './reconciliation/destination-watch.service.js';
import { ReconciliationController } from './reconciliation/reconciliation.controller.js';
import { ReconciliationService } from './reconciliation/reconciliation.service.js';
import { SweepRequests } from './reconciliation/sweep-requests.service.js';
import { SweepsController } from './reconciliation/sweeps.controller.js';
import { FreshStatements } from './statements/fresh-statements.js';
import { StatementsController } from './statements/statements.controller.js';
import { Clock } from './storage/clock.js';
import { OpenDatabase } from './storage/database.js';

/** The HTTP rim around a gateway that is wired already. */
@Module({})
export class AppModule {
  static of(gateway: GatewayParts, controlToken: string): DynamicModule {
    const { site } = gateway;
    const ring = () => {
      gateway.queue.ring('receipts');
      for (const { name } of site.destinations) {
        gateway.queue.ring(`stops:${name}`);
        gateway.queue.ring(`deliveries:${name}`);
      }
    };
    return {
      module: AppModule,
      imports: [DashboardModule.from({ provide: DAY_VIEW_SOURCE, useValue: gateway.dashboard })],
      controllers: [
        BundlesController,
        DestinationsController,
        ExpectationsController,
        HealthController,
        InstanceController,
        KeysController,
        ReconciliationController,
        StatementsController,
        SweepsController,
      ],
      providers: [
        Reflector,
        { provide: APP_GUARD, useClass: ApiKeyGuard },
        { provide: AccessService, useValue: gateway.access },
        { provide: AnnouncedBell, useValue: { ring } },
        { provide: BodyLimit, useValue: new BodyLimit(site.limits.bundleBytesMax) },
        { provide: Clock, useValue: gateway.clock },
        { provide: ControlToken, useValue: new ControlToken(controlToken) },
        { provide: DestinationControl, useValue: gateway.destinations },
        { provide: FreshStatements, useValue: gateway.current },
        { provide: GatewaySite, useValue: new GatewaySite(site.site) },
        { provide: InstanceActs, useValue: gateway.instanceActs },
        { provide: IntakeService, useValue: gateway.intake },
        { provide: OpenDatabase, useValue: gateway.database },
        { provide: ReceiptsService, useValue: gateway.receipts },
        { provide: DestinationWatch, useValue: gateway.watch },
        { provide: SweepRequests, useValue: gateway.sweepRequests },
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
