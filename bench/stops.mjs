import { setTimeout as wait } from 'node:timers/promises';
import { receiptIds } from './bundles.mjs';
import { OTHER_AREA } from './gateway.mjs';
import { limitRow, percentile } from './rows.mjs';

/** Between two failing results: each of its stops has gone out long before the next one comes. */
const PAUSE_MS = 500;
const DEADLINE_MS = 60_000;
const LOOK_EVERY_MS = 50;
const SIZES = {
  full: { rounds: 3, receipts: 100, load: { bundlesEach: 60, resultsEach: 1 } },
  quick: { rounds: 1, receipts: 10, load: { bundlesEach: 4, resultsEach: 1 } },
};

export const STOP_ROWS = [
  { name: 'stop-p99-idle', unit: 'ms', limit: 100 },
  { name: 'stop-p99-saturated', unit: 'ms', limit: 250, isSaturated: true },
  { name: 'gateway-loop-delay-p99', unit: 'ms', limit: 25, isSaturated: true },
];

/**
 * From the commit of a failing result to the first byte of its stop at the sink. Receipts of one drum conform first;
 * then each drum fails, one after the other.
 *
 * @param isSaturated while all senders hand over as fast as they are answered, and the backlog waits
 */
export async function stopRows(world, wanted, isSaturated) {
  const { quick, say } = world.options;
  const { rounds, receipts, load } = SIZES[quick ? 'quick' : 'full'];
  const found = [];
  await noteCommits(world);
  for (let i = 0; i < rounds; i++) {
    const round = `stop-${isSaturated ? 'saturated' : 'idle'}-${i}`;
    const spec = await conformingReceipts(world, { round, receipts });
    const loading = isSaturated ? saturate(world, { ...load, round: `load-${i}` }) : null;
    await loading?.started;
    await world.gateway.gateway.measure();
    const { sent: latencies, claimed } = await fail(world, spec);
    const { p99: loopDelay } = await world.gateway.gateway.measure();
    await loading?.ended;
    const p99 = percentile(latencies, 99);
    say(
      `${round}: ${latencies.length} stops, p50 ${percentile(latencies, 50).toFixed(0)} ms, p99 ${p99.toFixed(0)} ms, of which p50 ${percentile(claimed, 50).toFixed(0)} ms until claimed for sending; gateway loop delay p99 ${loopDelay.toFixed(1)} ms`,
    );
    found.push({ p99, loopDelay });
  }
  return wanted.map((row) =>
    limitRow(
      row,
      found.map(({ p99, loopDelay }) => (row.name.startsWith('gateway') ? loopDelay : p99)),
    ),
  );
}

/**
 * A trigger that fires when the transaction of a stop has nothing left to do but to be flushed notes the server's
 * clock, so that what is measured is a little more than from the commit. All clocks are this machine's.
 */
async function noteCommits({ query }) {
  await query('create table if not exists bench_stop_commit (stop_id text primary key, at bigint)');
  await query(`create or replace function bench_note_commit() returns trigger language plpgsql as $$
    begin
      insert into bench_stop_commit
        values (new.id, (extract(epoch from clock_timestamp()) * 1000000)::int8);
      return null;
    end $$`);
  await query('drop trigger if exists bench_stop_committed on stop');
  await query(`create constraint trigger bench_stop_committed after insert on stop
    deferrable initially deferred for each row execute function bench_note_commit()`);
}

async function conformingReceipts(world, { round, receipts }) {
  const { gateway, others, query, desk } = world;
  const spec = {
    round,
    instruments: others,
    bundlesEach: Math.ceil(receipts / others.length),
    resultsEach: 1,
    containers: 1,
  };
  const ids = receiptIds(spec);
  await gateway.announce(ids, OTHER_AREA, 1);
  await hand(world, desk, spec);
  // One more of each, so that every handheld was heard after the last measurement.
  const last = { ...spec, round: `${round}-heard`, bundlesEach: 1 };
  await gateway.announce(receiptIds(last), OTHER_AREA, 1);
  await wait(1_100);
  await hand(world, desk, last);
  await until(`${ids.length} receipts conform`, async () => {
    const [{ n }] = await query(
      `select count(distinct receipt_id)::int as n from statement
       where outcome = 'conforms' and receipt_id = any($1)`,
      [ids],
    );
    return n === ids.length;
  }).catch(async (error) => {
    const { conditions } = await gateway.statement(ids[0]);
    const open = conditions.filter((c) => c.state !== 'met').map((c) => `${c.code}: ${c.found}`);
    throw new Error(`${error.message}; ${ids[0]}: ${open.join(' | ')}`);
  });
  return spec;
}

async function fail(world, spec) {
  const { query, desk, sink } = world;
  await hand(world, desk, { ...spec, decision: 'fail' }, PAUSE_MS);
  const ids = receiptIds(spec);
  let sent = [];
  let claimed = [];
  await until(`${ids.length} stops arrived`, async () => {
    const arrived = new Map(await sink.ask('stops'));
    const issued = await query(
      `select distinct on (s.receipt_id) s.id, c.at as committed_at, a.started_at from stop s
       join bench_stop_commit c on c.stop_id = s.id
       join delivery d on d.subject_id = s.id join attempt a on a.delivery_id = d.id
       where s.receipt_id = any($1) and a.kind = 'send'
       order by s.receipt_id, s.statement_revision, a.started_at`,
      [ids],
    );
    sent = issued.flatMap(({ id, committed_at: at }) =>
      arrived.has(id) ? [arrived.get(id) - Number(at) / 1000] : [],
    );
    claimed = issued.map((stop) => Number(stop.started_at - stop.committed_at) / 1000);
    return sent.length === ids.length;
  });
  return { sent, claimed };
}

/** All senders at once, in the background. */
function saturate(world, { round, ...counts }) {
  const { gateway, generator, serials } = world;
  const spec = { ...counts, round, instruments: serials };
  const prepared = (async () => {
    await gateway.announce(receiptIds(spec));
    await generator.ask('prepare', spec);
  })();
  const ended = prepared.then(() => handPrepared(world, generator));
  // A failure is reported where it is waited for.
  ended.catch(() => undefined);
  return { started: prepared.then(() => wait(500)), ended };
}

async function hand(world, from, spec, pauseMs = 0) {
  await from.ask('prepare', spec);
  await handPrepared(world, from, pauseMs);
}

async function handPrepared({ gateway }, from, pauseMs = 0) {
  const { url, key } = gateway;
  await from.ask('send', { url, path: '/api/v1/bundles', key, pauseMs });
}

async function until(what, condition) {
  const end = performance.now() + DEADLINE_MS;
  while (!(await condition())) {
    if (performance.now() > end) throw new Error(`waited in vain until ${what}`);
    await wait(LOOK_EVERY_MS);
  }
}
