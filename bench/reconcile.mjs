// The comparison over much history: a day's page, a statement, an event, and everything from scratch.
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { DashboardService } from '../dist/dashboard/dashboard.service.js';
import { openSite } from '../dist/pipeline/open-site.files.js';
import { ComparisonService } from '../dist/reconciliation/comparison.service.js';
import { DiscrepanciesService } from '../dist/reconciliation/discrepancies.service.js';
import { RecomputeService } from '../dist/reconciliation/recompute.service.js';
import { ReconciliationService } from '../dist/reconciliation/reconciliation.service.js';
import { StatementsService } from '../dist/statements/statements.service.js';
import { openDatabase } from '../dist/storage/database.js';
import { addReceipts, dayOfReceipt, endOf, receiptId } from './reconcile-rows.mjs';
import { limitRow, median } from './rows.mjs';
import { openServerPair, whyNoServers } from './server-pair.mjs';

const SITE_FOLDER = fileURLToPath(new URL('../mappings/northquay', import.meta.url));
const RESULTS = { full: 50_000, quick: 2_000 };
const RESULTS_A_RECEIPT = 20;
/** Few enough that one event costs what it costs on an empty database. */
const SMALL = 10_000;
/** The comparison keeps up with what comes; it is not left with a year of it. */
const RECEIPTS_AT_ONCE = 2_500;
const EVENTS = 60;
const STATEMENTS = 100;
const PAGES = 7;

const ROWS = ['sqlite', 'postgres'].flatMap((on) => [
  { name: `reconcile-day-${on}`, unit: 'ms', limit: 500, on, of: 'day' },
  { name: `reconcile-statement-${on}`, unit: 'ms', limit: 20, on, of: 'statement' },
  { name: `reconcile-event-${on}`, unit: 'ms', limit: 20, on, of: 'event' },
  {
    name: `reconcile-event-growth-${on}`,
    unit: `times the cost at ${SMALL} results`,
    limit: 1.5,
    on,
    of: 'growth',
  },
  {
    name: `reconcile-recompute-${on}`,
    unit: 's a million results',
    limit: 1_200,
    on,
    of: 'recompute',
  },
]);
export const RECONCILE_ROWS = ROWS;

export async function reconcileRows(wanted, options) {
  const found = [];
  for (const on of ['sqlite', 'postgres']) {
    const rows = wanted.filter((row) => row.on === on);
    if (rows.length === 0) continue;
    const why = on === 'postgres' ? await whyNoServers() : null;
    if (why !== null) {
      options.say(`reconcile on postgres: not measured (${why})`);
      continue;
    }
    const figures = await measure(on, options);
    found.push(...rows.map((row) => limitRow(row, [figures[row.of]])));
  }
  return found;
}

async function measure(on, { quick, results, say }) {
  const directory = mkdtempSync(join(tmpdir(), 'drumline-bench-'));
  const pair = on === 'postgres' ? await openServerPair(directory) : null;
  const database = await openDatabase({
    dataDirectory: directory,
    databaseUrl: pair?.databaseUrl ?? null,
  });
  try {
    const env = {
      NORTHQUAY_LIMS_URL: 'http://127.0.0.1:1',
      NORTHQUAY_ERP_URL: 'http://127.0.0.1:1',
    };
    const { site } = await openSite(SITE_FOLDER, env);
    const asked = results ?? RESULTS[quick ? 'quick' : 'full'];
    return await measureOn({ database, site, on, say }, Math.ceil(asked / RESULTS_A_RECEIPT));
  } finally {
    await database.close();
    await pair?.close();
    rmSync(directory, { recursive: true, force: true });
  }
}

async function measureOn({ database, site, on, say }, receipts) {
  const clock = { now: () => endOf(receipts) };
  const comparison = new ComparisonService(database, clock, site);
  const small = Math.min(receipts, SMALL / RESULTS_A_RECEIPT);
  await addReceipts(database, site, 0, small);
  await comparison.catchUp();
  const before = await eventCost(database, comparison, small);
  let caughtUp = 0;
  for (let from = small; from < receipts; from += RECEIPTS_AT_ONCE) {
    const to = Math.min(receipts, from + RECEIPTS_AT_ONCE);
    await addReceipts(database, site, from, to);
    await tidied(database, on);
    caughtUp += await seconds(() => comparison.catchUp());
  }
  await tidied(database, on);
  const event = await eventCost(database, comparison, receipts);
  const day = await dayCost(database, clock, site, comparison, receipts);
  const statement = await statementCost(database, clock, site, receipts);
  const recomputation = new RecomputeService(database, clock, site, comparison);
  const recompute = await seconds(async () => {
    for (let next = { part: 'receipts', after: '' }; next !== null; ) {
      const page = await recomputation.page(next, false);
      if (page.differences.length > 0) throw new Error(JSON.stringify(page.differences[0]));
      next = page.next;
    }
  });
  const all = receipts * RESULTS_A_RECEIPT;
  say(
    `reconcile on ${on}: ${all} results, ${receipts} receipts, ${site.destinations.length} destinations; ${caughtUp.toFixed(1)} s to compare what was added; an event ${before.toFixed(2)} ms at ${small * RESULTS_A_RECEIPT} results and ${event.toFixed(2)} ms at all; day ${day.toFixed(0)} ms; statement ${statement.toFixed(1)} ms; recompute ${recompute.toFixed(1)} s`,
  );
  return {
    day,
    statement,
    event,
    growth: event / before,
    recompute: (recompute / all) * 1_000_000,
  };
}

/** What a server does by itself while its tables grow, unless that is turned off: it counts them and frees what is gone. */
async function tidied(database, on) {
  const { CompiledQuery } = await import('kysely');
  if (on === 'postgres') await database.db.executeQuery(CompiledQuery.raw('vacuum (analyze)'));
}

/** One delivery that is not confirmed any more, and back: a change and the round that compares it. */
async function eventCost(database, comparison, receipts) {
  const costs = [];
  for (let i = 0; i < EVENTS; i += 1) {
    const id = `${receiptId(Math.floor((receipts * (i >> 1)) / EVENTS))}-D-01-erp`;
    const startedAt = performance.now();
    await database.transact((trx) =>
      trx
        .updateTable('delivery')
        .set({ state: i % 2 === 0 ? 'rejected' : 'confirmed' })
        .where('id', '=', id)
        .execute(),
    );
    const round = await comparison.round();
    costs.push(performance.now() - startedAt);
    if (round?.compared !== 1) throw new Error(`a round compared ${round?.compared}`);
  }
  return median(costs);
}

async function dayCost(database, clock, site, comparison, receipts) {
  const reconciliation = new ReconciliationService(database.db, clock, site, comparison);
  const statements = { shown: () => Promise.resolve(null) };
  const discrepancies = new DiscrepanciesService(database, clock, site);
  const page = new DashboardService(
    database.db,
    clock,
    site,
    reconciliation,
    statements,
    discrepancies,
  );
  const costs = [];
  for (let i = 0; i < PAGES; i += 1) {
    const day = dayOfReceipt(Math.floor((receipts * i) / PAGES));
    const startedAt = performance.now();
    const view = await page.load(day);
    costs.push(performance.now() - startedAt);
    if (view.receipts.length === 0) throw new Error(`${day} shows no receipt`);
  }
  return median(costs);
}

async function statementCost(database, clock, site, receipts) {
  const mappings = new Map(
    site.destinations.map((d) => [d.name, { digest: 'bench', messages: ['result', 'withdrawal'] }]),
  );
  const statements = new StatementsService(database, clock, { site, mappings, epoch: 1 });
  const costs = [];
  for (let i = 0; i < STATEMENTS; i += 1) {
    const id = receiptId(Math.floor((receipts * i) / STATEMENTS));
    const startedAt = performance.now();
    await statements.fresh(id, 'bench');
    costs.push(performance.now() - startedAt);
  }
  return median(costs);
}

async function seconds(work) {
  const startedAt = performance.now();
  await work();
  return (performance.now() - startedAt) / 1000;
}
