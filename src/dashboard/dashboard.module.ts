import { type DynamicModule, Module, type ModuleMetadata, type Provider } from '@nestjs/common';
import { DashboardController } from './dashboard.controller.js';
import { TrailController } from './trail.controller.js';

export const PAGE_CONTROLLERS = [DashboardController, TrailController] as const;

/** The pages. The caller provides `DAY_VIEW_SOURCE`, and the modules its provider needs. */
@Module({})
export class DashboardModule {
  static from(source: Provider, imports: ModuleMetadata['imports'] = []): DynamicModule {
    return {
      module: DashboardModule,
      imports,
      controllers: [...PAGE_CONTROLLERS],
      providers: [source],
    };
  }
}
