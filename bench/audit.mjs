// Verifying a long trail in bounded memory, and sealing beside chaining within each change's own transaction.
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { pino } from 'pino';
import { recordAudits } from '../dist/audit/audit.store.js';
import { headOf, peaksText } from '../dist/audit/chain-head.js';
import { CheckpointOutlet } from '../dist/audit/checkpoint-outlet.service.js';
import { sealEntries } from '../dist/audit/seal-entries.js';
import { TrailSealer } from '../dist/audit/sealer.service.js';
import { advanceHead, claimTrail, holdTrail, writeSeals } from '../dist/audit/sealing.store.js';
import { Judging, readTrail } from '../dist/audit/verification.service.js';
import { openDatabase } from '../dist/storage/database.js';
import { limitRow, rowOf } from './rows.mjs';

export const AUDIT_ROWS = [
  { name: 'audit-verify', unit: 'entries/s', target: null },
  { name: 'audit-verify-memory', unit: 'MB more at its highest', limit: 200 },
  { name: 'audit-sealing', unit: 'changes/s', target: 1 },
];
const SITE = 'northquay';
const ENTRIES = { full: 1_000_000, quick: 20_000 };
const CHANGES = { full: 6_000, quick: 600 };
const ROUNDS = { full: 5, quick: 1 };
const BATCH = 2_000;
const AT_ONCE = 24;

export async function auditRows(wanted, { quick, say }) {
  const mode = quick ? 'quick' : 'full';
  const rows = [];
  const ofVerifying = wanted.filter(({ name }) => name.startsWith('audit-verify'));
  if (ofVerifying.length > 0) rows.push(...(await verifyRows(ofVerifying, mode, say)));
  for (const row of wanted.filter(({ name }) => name === 'audit-sealing')) {
    const rounds = [];
    for (let n = 0; n < ROUNDS[mode]; n++) rounds.push(await sealingRound(CHANGES[mode], n));
    say(`audit-sealing: ${rounds.map(({ value }) => value.toFixed(0)).join(', ')} changes/s`);
    rows.push(rowOf(row, rounds));
  }
  return rows;
}

async function verifyRows(wanted, mode, say) {
  return onDatabase(async (database) => {
    const entries = ENTRIES[mode];
    const sealer = await sealerOf(database);
    for (let n = 0; n < entries; n += BATCH) {
      await database.transact((trx) =>
        recordAudits(trx, eventsOf(n, Math.min(BATCH, entries - n))),
      );
      await sealer.sealAll();
    }
    await sealer.stop();
    say(`audit-verify: ${entries} entries sealed`);
    const before = held();
    let highest = before;
    const judging = new Judging(SITE, { keys: [], outside: [] });
    // Looked at after every page: no timer gets a turn while rows come from a file of this process.
    const sampled = {
      entry: (sealed) => judging.entry(sealed),
      checkpoint: (signed) => judging.checkpoint(signed),
      unreadable: (text) => judging.unreadable(text),
      unsealed: (entry, waitedMs) => judging.unsealed(entry, waitedMs),
      pause: async () => {
        highest = Math.max(highest, held());
      },
    };
    const begin = performance.now();
    const report = judging.report(await readTrail(database.db, SITE, sampled));
    const seconds = (performance.now() - begin) / 1_000;
    if (report.firstBroken !== null || report.sealed !== entries) throw new Error('not whole');
    say(`audit-verify: ${seconds.toFixed(1)} s for ${entries} entries`);
    return wanted.map((row) =>
      row.limit === undefined
        ? {
            name: row.name,
            value: Math.round(entries / seconds),
            unit: row.unit,
            ceiling: null,
            ratio: null,
            target: null,
            spread: 0,
          }
        : limitRow(row, [Math.max(1, (highest - before) / 1e6)]),
    );
  });
}

/** Bytes the process holds in objects and buffers, with what is not collected yet. */
function held() {
  const { heapUsed, external } = process.memoryUsage();
  return heapUsed + external;
}

/** Changes a second with the sealer beside them, and with each sealing its own entries before it commits. */
async function sealingRound(changes, round) {
  const ways = [() => sealedBeside(changes), () => sealedWithin(changes)];
  const [first, second] = round % 2 === 0 ? ways : [...ways].reverse();
  const found = new Map([[first, await first()]]);
  found.set(second, await second());
  return { value: found.get(ways[0]), ceiling: found.get(ways[1]) };
}

function sealedBeside(changes) {
  return onDatabase(async (database) => {
    const sealer = await sealerOf(database);
    await sealer.start();
    const perSecond = await timed(changes, (n) =>
      database.transact((trx) => recordAudits(trx, eventsOf(n, 2))),
    );
    // What is sealed after the last change counts too: nothing is left for later.
    const begin = performance.now();
    await sealer.stop();
    const behind = (performance.now() - begin) / 1_000;
    return changes / (changes / perSecond + behind);
  });
}

function sealedWithin(changes) {
  return onDatabase(async (database) => {
    const claim = await database.transact((trx) => claimTrail(trx, SITE, 'bench'));
    return timed(changes, (n) =>
      database.transact(async (trx) => {
        const rows = await recordAudits(trx, eventsOf(n, 2));
        const held = await holdTrail(trx, claim);
        const now = database.clock.now();
        const { head, seals } = sealEntries(headOf(held), rows, now);
        await writeSeals(trx, seals);
        await advanceHead(trx, claim, {
          size: head.edge.size,
          hash: head.hash.toString('hex'),
          peaks: peaksText(head),
          sealed_at: now,
        });
      }),
    );
  });
}

async function timed(changes, change) {
  const begin = performance.now();
  let next = 0;
  const asker = async () => {
    while (next < changes) await change(next++);
  };
  await Promise.all(Array.from({ length: AT_ONCE }, asker));
  return (changes * 1_000) / (performance.now() - begin);
}

async function sealerOf(database) {
  const now = database.clock.now();
  const worker = { id: 'bench', mayStart: true };
  await database.db
    .insertInto('worker')
    .values({ id: worker.id, started_at: now, heartbeat_at: now, stopped_at: null })
    .execute();
  const log = pino({ level: 'silent' });
  const outlet = new CheckpointOutlet(database, log, null, SITE);
  const { clock } = database;
  return new TrailSealer(
    { database, clock, worker, log, outlet },
    {
      site: SITE,
      zone: 'Europe/Berlin',
      key: null,
      keyBefore: null,
      checkpointEveryMs: 300_000,
      checkpointEveryEntries: 1_000,
    },
  );
}

async function onDatabase(work) {
  const directory = mkdtempSync(join(tmpdir(), 'drumline-bench-'));
  const database = await openDatabase(directory);
  try {
    return await work(database);
  } finally {
    await database.close();
    rmSync(directory, { recursive: true, force: true });
  }
}

function eventsOf(from, count) {
  return Array.from({ length: count }, (_, i) => ({
    site: SITE,
    zone: 'Europe/Berlin',
    at: Date.now() * 1_000,
    actor: { kind: 'system', name: 'checks' },
    action: i % 2 === 0 ? 'bundle.received' : 'bundle.accepted',
    subjectKind: 'bundle',
    subjectId: `b-${from}-${i}`,
    before: { state: 'received' },
    after: { state: 'accepted', results: 1, findings: 0 },
  }));
}
