import { join } from 'node:path';
import { readSettings } from '../../src/config.js';
import { type Application, openApplication } from '../../src/main.js';
import type { DatabasePlace } from '../../src/storage/database.js';
import type { GatewayWorld } from './gateway-world.js';
import { temporaryDirectory } from './temp-database.js';

interface Run {
  readonly siteFolder: string;
  readonly work: boolean;
}

/** A gateway over a database, with no queue that others hear. */
export function openAt(place: DatabasePlace, { siteFolder, work }: Run): Promise<Application> {
  const settings = readSettings(
    { DRUMLINE_LOG_LEVEL: 'silent' },
    { data: place.dataDirectory, siteFolder, port: '0' },
  );
  return openApplication({ ...settings, databaseUrl: place.databaseUrl }, { work });
}

/** Starts a gateway that only answers, and ends it. */
export async function startOnce(place: DatabasePlace, siteFolder: string): Promise<void> {
  const application = await openAt(place, { siteFolder, work: false });
  await application.close();
}

/** Another gateway of a world's database, with a data folder of its own. */
export function openAnother(
  world: GatewayWorld,
  { siteFolder = world.siteFolder, work }: Partial<Run> & Pick<Run, 'work'>,
): Promise<Application> {
  const place = {
    dataDirectory: join(temporaryDirectory(), 'data'),
    databaseUrl: world.databasePlace.databaseUrl,
  };
  return openAt(place, { siteFolder, work });
}
