import { expect, it } from 'vitest';
import { openAt } from '../support/another-process.js';
import { onServer } from '../support/postgres-server.js';
import { NORTHQUAY } from '../support/site-folder-copy.js';
import { blankPlace } from '../support/temp-database.js';

it('a gateway whose database is away closes all the same', async () => {
  process.env['NORTHQUAY_LIMS_TOKEN'] = 'simulated';
  process.env['NORTHQUAY_ERP_TOKEN'] = 'simulated';
  const place = await blankPlace();
  const name = new URL(place.databaseUrl ?? '').pathname.slice(1);
  const application = await openAt(place, { siteFolder: NORTHQUAY, work: true });
  await application.listen();
  await onServer(`alter database ${name} allow_connections false`);
  await onServer(
    `select pg_terminate_backend(pid, 5000) from pg_stat_activity where datname = '${name}'`,
  );
  await expect(application.close()).resolves.toBeUndefined();
});
