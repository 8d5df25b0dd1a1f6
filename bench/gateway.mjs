import { cpSync, mkdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { setTimeout as wait } from 'node:timers/promises';
import { fileURLToPath } from 'node:url';
import Database from 'better-sqlite3';
import { parse, stringify } from 'yaml';
import { readControl } from '../dist/access/control.files.js';
import { CONTAINERS, expectationCsv } from './bundles.mjs';
import { now } from './child.mjs';
import { startDrumline } from './drumline-process.mjs';

const ROOT = fileURLToPath(new URL('..', import.meta.url));
export const AREA = 'east-dock';
export const OTHER_AREA = 'west-dock';
export const ARCHIVE = 'archive';
/** By then an answer that the sink has given is written. */
const WRITTEN_MS = 5_000;
/** What the sink is: it applies at once, and nothing of ours shall throttle what is measured. */
const TIMING = { processingMs: 20, inFlightMax: 50, ratePerSecond: 10_000, deadlineMs: 30_000 };

/**
 * A copy of the example site with as many handhelds as there are senders, before destinations like the sink.
 *
 * @param others handhelds of another area
 * @param archiveUrl of a third destination, which no statement waits for; null for none
 */
export function copySite(directory, serials, { others = [], archiveUrl = null } = {}) {
  const copy = join(directory, 'site');
  cpSync(join(ROOT, 'mappings/northquay'), copy, { recursive: true });
  // The handhelds are others than the tolerances name, and what is measured is the way of a statement.
  rmSync(join(copy, 'performance-checks.yaml'));
  const file = join(copy, 'site.yaml');
  const site = parse(readFileSync(file, 'utf8'));
  // What is measured is the way of a statement, not a reviewer's.
  site.decisions.push({
    ...site.decisions[0],
    id: 'D-001',
    rule: 'second-person-off',
    reason: 'no reviewer in a measurement of speed (simulated)',
  });
  site.secondPerson = { required: false, decision: 'D-001' };
  const [model] = site.instruments;
  const inArea = (area) => (serial) => ({ ...model, serial, area });
  site.instruments = [...serials.map(inArea(AREA)), ...others.map(inArea(OTHER_AREA))];
  for (const destination of site.destinations) Object.assign(destination.timing, TIMING);
  if (archiveUrl) addArchive(copy, site, archiveUrl);
  writeFileSync(file, stringify(site, { aliasDuplicateObjects: false }));
  return copy;
}

function addArchive(copy, site, archiveUrl) {
  const [lims] = site.destinations;
  const endpoint = { ...lims.endpoint, baseUrl: archiveUrl };
  site.destinations.push({
    ...lims,
    name: ARCHIVE,
    title: 'Archive (simulated)',
    endpoint,
    requiredForStatement: false,
  });
  const mapping = readFileSync(join(copy, 'lims.mapping.yaml'), 'utf8');
  writeFileSync(
    join(copy, `${ARCHIVE}.mapping.yaml`),
    mapping.replace('destination: lims', `destination: ${ARCHIVE}`),
  );
}

/**
 * The gateway as it ships, as a process of its own on a new data folder: with SQLite it does everything; on a
 * server pair it takes and answers, and `workers` processes work.
 */
export async function startGateway(options) {
  const { directory, siteFolder, sinkUrl, pair, workers = 0, probe, profile } = options;
  const data = join(directory, 'data');
  mkdirSync(data, { recursive: true });
  const env = {
    NORTHQUAY_LIMS_URL: sinkUrl,
    NORTHQUAY_ERP_URL: sinkUrl,
    NORTHQUAY_LIMS_TOKEN: 'simulated',
    NORTHQUAY_ERP_TOKEN: 'simulated',
    ...(pair ? { DATABASE_URL: pair.databaseUrl, REDIS_URL: pair.redisUrl } : {}),
  };
  const probeOf = (name) => (probe ? join(directory, `${name}.probe`) : undefined);
  const serve = ['serve', ...(pair ? ['--no-work'] : []), '--data', data, '--port', '0'];
  const gateway = await startDrumline([...serve, '--site-folder', siteFolder], {
    env,
    probe: probeOf('gateway'),
    profile,
  });
  let started = 0;
  const startWorker = () => {
    started += 1;
    return startDrumline(['work', '--site-folder', siteFolder], {
      env: { ...env, DRUMLINE_DATA: data },
      probe: probeOf(`worker-${started}`),
      profile,
    });
  };
  const working = await Promise.all(Array.from({ length: workers }, startWorker));
  const { url } = gateway.ready;
  const { token } = readControl(data);
  const get = async (path) => {
    const headers = { authorization: `Bearer ${token}` };
    return (await fetch(new URL(path, url), { headers })).json();
  };
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
    announce: (ids, area = AREA, containers = CONTAINERS) =>
      post('/api/v1/expectations', 'text/csv', expectationCsv(ids, area, containers)),
    statement: (receiptId) => get(`/api/v1/receipts/${encodeURIComponent(receiptId)}/statement`),
    gateway,
    workers: working,
    startWorker,
    /** Stops all of it. */
    stop: async () => {
      for (const process of [gateway, ...working]) await process.stop();
    },
    /** Throws when anything but results that were sent once and confirmed is left; on SQLite once it has stopped. */
    checkBooks: async () => {
      const look = async () =>
        pair ? await pair.query(LEFT) : leftInFile(join(data, 'drumline.db'));
      let left = await look();
      // The last answers are counted when the sink has given them, and written a moment later; a stopped gateway has.
      const end = pair ? now() + WRITTEN_MS : 0;
      for (; left.length > 0 && now() < end; left = await look()) {
        await wait(100);
      }
      if (left.length === 0) return;
      const words = left.map(({ kind, state, n }) => `${n} × ${kind} ${state}`).join(', ');
      throw new Error(`the figures would mean nothing: ${words}`);
    },
    kill: async () => {
      for (const process of [gateway, ...working]) await process.kill();
    },
  };
}

const LEFT = `select 'delivery' as kind, state, count(*) as n from delivery
   where message = 'result' and destination <> '${ARCHIVE}' and (state <> 'confirmed' or attempts <> 1) group by state
   union all
   select 'bundle', state, count(*) from bundle where state <> 'accepted' group by state
   union all
   select 'result', state, count(*) from result where state <> 'accepted' group by state`;

function leftInFile(file) {
  const database = new Database(file, { readonly: true });
  const left = database.prepare(LEFT).all();
  database.close();
  return left;
}
