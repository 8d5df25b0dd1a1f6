import { expect, it } from 'vitest';
import { readSettings } from '../../src/config.js';
import { openApplication } from '../../src/main.js';
import { onServer } from '../support/postgres-server.js';
import { NORTHQUAY } from '../support/site-folder-copy.js';
import { blankPlace } from '../support/temp-database.js';

it('a gateway whose database is away closes all the same', async () => {
  process.env['NORTHQUAY_LIMS_TOKEN'] = 'simulated';
  process.env['NORTHQUAY_ERP_TOKEN'] = 'simulated';
  const { dataDirectory: data, databaseUrl } = await blankPlace();
  const name = new URL(databaseUrl ?? '').pathname.slice(1);
  const settings = readSettings(
    { DRUMLINE_LOG_LEVEL: 'silent' },
    { data, siteFolder: NORTHQUAY, port: '0' },
  );
  const application = await openApplication({ ...settings, databaseUrl }, { work: true });
  await application.listen();
  await onServer(`alter database ${name} allow_connections false`);
  await onServer(
    `select pg_terminate_backend(pid, 5000) from pg_stat_activity where datname = '${name}'`,
  );
  await expect(application.close()).resolves.toBeUndefined();
});
