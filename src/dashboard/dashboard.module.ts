import { type DynamicModule, Module, type Provider } from '@nestjs/common';
import { DashboardController } from './dashboard.controller.js';
import { ReceiptPagesController } from './receipt-pages.controller.js';
import { TrailController } from './trail.controller.js';

/** The controllers of `DashboardModule`. */
export const DASHBOARD_CONTROLLERS = [
  DashboardController,
  ReceiptPagesController,
  TrailController,
] as const;

/** The day and its receipts. The caller provides their sources and `PageSite`. */
@Module({})
export class DashboardModule {
  static from(...sources: Provider[]): DynamicModule {
    return {
      module: DashboardModule,
      controllers: [...DASHBOARD_CONTROLLERS],
      providers: sources,
    };
  }
}
