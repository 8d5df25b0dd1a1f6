import { join } from 'node:path';
import { readSettings } from '../../src/config.js';
import { type Application, openApplication } from '../../src/main.js';
import type { GatewayWorld } from './gateway-world.js';
import { temporaryDirectory } from './temp-database.js';

/** Another gateway of a world's database, with a data folder of its own and no queue that others hear. */
export function openAnother(
  world: GatewayWorld,
  { siteFolder = world.siteFolder, work }: { readonly siteFolder?: string; readonly work: boolean },
): Promise<Application> {
  const data = join(temporaryDirectory(), 'data');
  const settings = readSettings({ DRUMLINE_LOG_LEVEL: 'silent' }, { data, siteFolder, port: '0' });
  return openApplication({ ...settings, databaseUrl: world.databasePlace.databaseUrl }, { work });
}
