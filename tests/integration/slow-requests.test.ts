import { connect } from 'node:net';
import { join } from 'node:path';
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import { readControl } from '../../src/access/control.files.js';
import { readSettings } from '../../src/config.js';
import { type Application, openApplication } from '../../src/main.js';
import { northquayWith } from '../support/site-folder-copy.js';
import { temporaryDirectory } from '../support/temp-database.js';

/** A sender that never finishes must not hold its connection, and what was read of it, for ever. */

const DRIP_EVERY_MS = 20;

let application: Application;
let url: URL;
let token: string;

beforeEach(async () => {
  vi.stubEnv('NORTHQUAY_LIMS_TOKEN', 'simulated');
  vi.stubEnv('NORTHQUAY_ERP_TOKEN', 'simulated');
  const data = join(temporaryDirectory(), 'data');
  const settings = readSettings(
    { DRUMLINE_LOG_LEVEL: 'silent' },
    { data, siteFolder: northquayWith({}), port: '0' },
  );
  application = await openApplication(settings, { work: false, requestMsMax: 200 });
  url = new URL(await application.listen());
  token = readControl(data)?.token ?? '';
});

afterEach(() => application.close());

/** Sends a beginning, then one byte after the other until the other side hangs up; returns what it said. */
function drip(beginning: string): Promise<string> {
  return new Promise((resolve) => {
    const socket = connect(Number(url.port), url.hostname);
    let answer = '';
    socket.write(beginning);
    const timer = setInterval(() => socket.write('1'), DRIP_EVERY_MS);
    socket.on('data', (chunk) => {
      answer += chunk.toString('latin1');
    });
    // Writing to what was hung up is an error; the close that follows it is what counts.
    socket.on('error', () => undefined);
    socket.on('close', () => {
      clearInterval(timer);
      resolve(answer);
    });
  });
}

it('hangs up on a body that drips', async () => {
  const head = [
    'POST /api/v1/bundles HTTP/1.1',
    'host: gateway',
    `authorization: Bearer ${token}`,
    'content-type: application/json',
    'idempotency-key: "slow"',
    'content-length: 100000',
  ];
  expect(await drip(`${head.join('\r\n')}\r\n\r\n{"n":`)).not.toContain(' 202 ');
});

it('hangs up on headers that drip', async () => {
  expect(await drip('GET /health/live HTTP/1.1\r\nhost: gateway\r\nx-slow: ')).toContain(' 408 ');
});
