import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { cpSync, mkdirSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { createInterface } from 'node:readline';
import { fileURLToPath } from 'node:url';
import Database from 'better-sqlite3';
import { parse, stringify } from 'yaml';
import { readControl } from '../dist/access/control.files.js';
import { expectationCsv } from './bundles.mjs';

const ROOT = fileURLToPath(new URL('..', import.meta.url));
const START_DEADLINE_MS = 30_000;
const AREA = 'east-dock';
/** What the sink is: it applies at once, and nothing of ours shall throttle what is measured. */
const TIMING = { processingMs: 20, inFlightMax: 50, ratePerSecond: 10_000, deadlineMs: 30_000 };

/** A copy of the example site with as many handhelds as there are senders, before destinations like the sink. */
export function copySite(directory, serials) {
  const copy = join(directory, 'site');
  cpSync(join(ROOT, 'mappings/northquay'), copy, { recursive: true });
  const file = join(copy, 'site.yaml');
  const site = parse(readFileSync(file, 'utf8'));
  const [model] = site.instruments;
  site.instruments = serials.map((serial) => ({ ...model, serial, area: AREA }));
  for (const destination of site.destinations) Object.assign(destination.timing, TIMING);
  writeFileSync(file, stringify(site));
  return copy;
}

/** The gateway as it ships, as a process of its own on a new data folder. */
export async function startGateway({ directory, siteFolder, sinkUrl, profile }) {
  const data = join(directory, 'data');
  mkdirSync(data, { recursive: true });
  const flags = profile ? ['--cpu-prof', '--cpu-prof-dir', profile] : [];
  const serve = ['serve', '--data', data, '--site-folder', siteFolder, '--port', '0'];
  const child = spawn(
    process.execPath,
    [...flags, join(ROOT, 'bin/drumline.js'), ...serve, '--log-level', 'warn', '--json'],
    {
      env: {
        ...process.env,
        NORTHQUAY_LIMS_URL: sinkUrl,
        NORTHQUAY_ERP_URL: sinkUrl,
        NORTHQUAY_LIMS_TOKEN: 'simulated',
        NORTHQUAY_ERP_TOKEN: 'simulated',
      },
      stdio: ['ignore', 'pipe', 'inherit'],
    },
  );
  const url = await listeningUrl(child);
  const { token } = readControl(data);
  const post = async (path, type, body) => {
    const headers = { authorization: `Bearer ${token}`, 'content-type': type };
    const answer = await fetch(new URL(path, url), { method: 'POST', headers, body });
    const text = await answer.text();
    if (!answer.ok) throw new Error(`${path} answered ${answer.status}: ${text}`);
    return JSON.parse(text);
  };
  const { key } = await post(
    '/api/v1/keys',
    'application/json',
    JSON.stringify({ site: 'northquay', name: 'bench', scopes: ['bundle:write'] }),
  );
  return {
    url,
    key,
    announce: (ids) => post('/api/v1/expectations', 'text/csv', expectationCsv(ids, AREA)),
    /** Stops it and throws when anything but results that were sent once and confirmed is left behind. */
    stop: async () => {
      const ended = once(child, 'exit');
      child.kill('SIGTERM');
      await ended;
      checkBooks(join(data, 'drumline.db'));
    },
    kill: () => child.kill('SIGKILL'),
  };
}

async function listeningUrl(child) {
  const lines = createInterface({ input: child.stdout });
  const url = await Promise.race([
    once(lines, 'line').then(([line]) => JSON.parse(line).url),
    once(child, 'exit').then(() => null),
    new Promise((resolve) => setTimeout(resolve, START_DEADLINE_MS, null).unref()),
  ]);
  if (url) return url;
  child.kill('SIGKILL');
  throw new Error('the gateway did not start');
}

function checkBooks(file) {
  const database = new Database(file, { readonly: true });
  const left = database
    .prepare(
      `select 'delivery' as kind, state, count(*) as n from delivery
       where message = 'result' and (state <> 'confirmed' or attempts <> 1) group by state
       union all
       select 'bundle', state, count(*) from bundle where state <> 'accepted' group by state
       union all
       select 'result', state, count(*) from result where state <> 'accepted' group by state`,
    )
    .all();
  database.close();
  if (left.length > 0) {
    const words = left.map(({ kind, state, n }) => `${n} × ${kind} ${state}`).join(', ');
    throw new Error(`the figures would mean nothing: ${words}`);
  }
}
