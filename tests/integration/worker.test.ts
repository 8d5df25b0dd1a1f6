import { once } from 'node:events';
import { connect } from 'node:net';
import { join } from 'node:path';
import { request } from 'undici';
import { afterEach, expect, it } from 'vitest';
import { readSettings } from '../../src/config.js';
import { openWorker, type WorkerApplication } from '../../src/main.js';
import { NORTHQUAY } from '../support/site-folder-copy.js';
import { temporaryDirectory } from '../support/temp-database.js';

let worker: WorkerApplication | null = null;

afterEach(async () => {
  await worker?.close();
  worker = null;
});

async function openOne(healthPort?: string): Promise<WorkerApplication> {
  process.env['NORTHQUAY_LIMS_TOKEN'] = 'simulated';
  process.env['NORTHQUAY_ERP_TOKEN'] = 'simulated';
  const data = join(temporaryDirectory(), 'data');
  const settings = readSettings(
    { DRUMLINE_LOG_LEVEL: 'silent' },
    { data, siteFolder: NORTHQUAY, healthPort },
  );
  worker = await openWorker(settings);
  return worker;
}

it('a worker says whether it is live and ready, and answers nothing else', async () => {
  const { healthUrl, site } = await openOne('0');
  expect(site).toBe('northquay');
  const status = async (path: string) => {
    const { statusCode, body } = await request(`${healthUrl}${path}`);
    await body.dump();
    return statusCode;
  };
  expect(await status('/health/live')).toBe(200);
  expect(await status('/health/ready')).toBe(200);
  for (const path of ['/', '/api/v1/keys', '/api/v1/reconciliation', '/api/v1/bundles/x']) {
    expect(await status(path), path).toBe(404);
  }
});

it('a worker ends although somebody holds its health port open and never speaks', async () => {
  const { healthUrl } = await openOne('0');
  const { hostname, port } = new URL(healthUrl ?? '');
  const silent = connect(Number(port), hostname);
  silent.on('error', () => undefined);
  await once(silent, 'connect');
  const hungUp = once(silent, 'close');
  await worker?.close();
  worker = null;
  await hungUp;
  expect(silent.destroyed).toBe(true);
});

it('a worker listens nowhere unless it is told to', async () => {
  expect((await openOne()).healthUrl).toBeNull();
});
