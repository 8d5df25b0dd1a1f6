import { mkdtempSync, rmSync } from 'node:fs';
import { createServer, type IncomingMessage, type Server } from 'node:http';
import type { AddressInfo } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { writeControl } from '../../src/access/control.files.js';
import { SitePeople, type SitePeopleSetup } from './harness/people.js';

type Body = Record<string, unknown>;
/** What a gateway answers; null: it does what it was asked for, and the answer is lost. */
type Answer = { readonly status: number; readonly body: unknown } | null;

const SEEN = { receiptId: 'B', receiptScan: 'NQB/1', container: 'D-02', lot: 'L-2' };

describe('the people of the site', () => {
  let directory: string;
  let server: Server;
  let abort: AbortController;
  let answer: (method: string, path: string, body: Body) => Answer;
  const asked: string[] = [];

  beforeEach(async () => {
    directory = mkdtempSync(join(tmpdir(), 'site-people-'));
    abort = new AbortController();
    asked.length = 0;
    server = createServer(async (request, response) => {
      const method = request.method ?? '';
      const path = request.url ?? '';
      const given = answer(method, path, await bodyOf(request));
      if (method === 'POST') asked.push(path);
      if (given === null) return void request.socket.destroy();
      response.writeHead(given.status, { 'content-type': 'application/json' });
      response.end(JSON.stringify(given.body));
    });
    await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
    const { port } = server.address() as AddressInfo;
    const url = `http://127.0.0.1:${port}`;
    writeControl(directory, { url, token: 'control', certificate: null });
  });

  afterEach(async () => {
    abort.abort();
    server.closeAllConnections();
    await new Promise((resolve) => server.close(resolve));
    rmSync(directory, { recursive: true });
  });

  const people = (changes: Partial<SitePeopleSetup> = {}) =>
    new SitePeople({
      dataDirectories: [directory],
      signal: abort.signal,
      rowIdOf: async () => 'row-1',
      refusing: new Set(),
      doubted: null,
      storeHash: async () => undefined,
      ...changes,
    });

  it('do not refuse again what is refused though the answer got lost, and look again at what is stale', async () => {
    let state = 'accepted';
    const named: unknown[] = [];
    answer = (method, _path, body) => {
      if (method === 'GET') return { status: 200, body: { state, sha256: `seen-${asked.length}` } };
      named.push(body['shown']);
      if (named.length === 1) return { status: 409, body: { code: 'signature-stale' } };
      state = 'refused';
      return null;
    };
    expect(await people().refuse('R1')).toBe(true);
    expect(named).toEqual(['seen-0', 'seen-1']);
  });

  it('refuse nothing before it was examined', async () => {
    let looks = 0;
    answer = (method) => {
      if (method === 'POST') return { status: 200, body: {} };
      looks += 1;
      const state = looks < 3 ? 'held' : 'accepted';
      return { status: 200, body: { state, sha256: 'seen' } };
    };
    const names: (string | null)[] = [null, 'row-1'];
    const rowIdOf = async () => names.shift() ?? 'row-1';
    expect(await people({ rowIdOf }).refuse('R1')).toBe(true);
    expect(looks).toBe(3);
    expect(asked).toEqual(['/api/v1/results/row-1/review']);
  });

  it('propose once where a result belongs, and have it signed by somebody else', async () => {
    const by = new Map<string, unknown>();
    const attributions: { id: string; state: string }[] = [];
    answer = (method, path, body) => {
      if (method === 'GET') return { status: 200, body: { attributions, sha256: 'seen' } };
      by.set(path, body['userName']);
      const [proposal] = attributions;
      if (proposal) proposal.state = 'signed';
      else attributions.push({ id: 'a-1', state: 'open' });
      return null;
    };
    expect(await people().move('R1', SEEN)).toBe('moved');
    expect(asked).toEqual(['/api/v1/results/row-1/attribution', '/api/v1/attributions/a-1']);
    const [proposer, signer] = by.values();
    expect(proposer).not.toBe(signer);
  });

  it('have sent again what was refused where that was to be expected, and give up what no longer stands', async () => {
    const stopped = (id: string, resend: boolean, retire: boolean) => ({
      ...{ id, version: `version of ${id}`, message: 'result' },
      ...{ resend: { can: resend }, retire: { can: retire } },
    });
    const acts = new Map<unknown, unknown>();
    const queries = new Set<string>();
    answer = (method, path, body) => {
      if (method === 'GET') {
        queries.add(path);
        const deliveries = [
          stopped('again', true, false),
          stopped('old', false, true),
          stopped('no', false, false),
        ];
        return { status: 200, body: { deliveries, after: null } };
      }
      acts.set(body['act'], body['deliveries']);
      return { status: 200, body: {} };
    };
    const tending = people({ refusing: new Set(['lims']), doubted: 'archive' }).tend();
    await expect.poll(() => acts.size, { timeout: 20_000 }).toBe(2);
    abort.abort();
    await tending;
    expect(acts.get('resend')).toEqual([{ id: 'again', version: 'version of again' }]);
    expect(acts.get('retire')).toEqual([{ id: 'old', version: 'version of old' }]);
    // Nothing was taken back, so nothing that is in doubt may be given up.
    expect([...queries]).toEqual(['/api/v1/deliveries?destination=lims&fault=rejected&limit=100']);
  });
});

async function bodyOf(request: IncomingMessage): Promise<Body> {
  const chunks: Buffer[] = [];
  for await (const chunk of request) chunks.push(chunk as Buffer);
  const text = Buffer.concat(chunks).toString();
  return text === '' ? {} : (JSON.parse(text) as Body);
}
