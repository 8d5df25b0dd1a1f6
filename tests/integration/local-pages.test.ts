import { join } from 'node:path';
import { request } from 'undici';
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import { readSettings } from '../../src/config.js';
import { type Application, openApplication } from '../../src/main.js';
import { northquayWith } from '../support/site-folder-copy.js';
import { temporaryDirectory } from '../support/temp-database.js';

/** Without a key the pages are for the machine itself, and nobody passes for it. */

let application: Application;
let url: URL;

beforeEach(async () => {
  vi.stubEnv('NORTHQUAY_LIMS_TOKEN', 'simulated');
  vi.stubEnv('NORTHQUAY_ERP_TOKEN', 'simulated');
  const settings = readSettings(
    { DRUMLINE_LOG_LEVEL: 'silent' },
    { data: join(temporaryDirectory(), 'data'), siteFolder: northquayWith({}), port: '0' },
  );
  application = await openApplication(settings, { work: false });
  url = new URL(await application.listen());
});

afterEach(() => application.close());

async function statusOf(headers: Readonly<Record<string, string>>): Promise<number> {
  const answer = await request(url, { headers });
  await answer.body.dump();
  return answer.statusCode;
}

describe('the pages without a key', () => {
  it('open to a browser on this machine', async () => {
    for (const host of [url.host, `localhost:${url.port}`, 'localhost', `[::1]:${url.port}`]) {
      expect([host, await statusOf({ host })]).toEqual([host, 200]);
    }
  });

  it('stay shut when a name from elsewhere was pointed at this machine', async () => {
    expect(await statusOf({ host: `rebound.example:${url.port}` })).toBe(401);
    expect(await statusOf({ host: '127.0.0.1.rebound.example' })).toBe(401);
  });

  it('stay shut to whom a proxy on this machine passes on', async () => {
    const passedOn = ['x-forwarded-for', 'forwarded', 'x-real-ip', 'via'];
    for (const name of passedOn) {
      expect([name, await statusOf({ host: url.host, [name]: '203.0.113.9' })]).toEqual([
        name,
        401,
      ]);
    }
  });
});
