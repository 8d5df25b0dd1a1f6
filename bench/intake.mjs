import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { receiptIds } from './bundles.mjs';
import { startChild } from './child.mjs';
import { copySite, startGateway } from './gateway.mjs';
import { rowOf } from './rows.mjs';

/** Senders at once: sync PCs with a handheld each. */
export const SENDERS = 24;
const DESTINATIONS = 2;
const DEADLINE_MS = 300_000;

const SIZES = {
  full: {
    rounds: 5,
    one: { bundlesEach: 60, resultsEach: 1 },
    twenty: { bundlesEach: 6, resultsEach: 20 },
  },
  quick: {
    rounds: 1,
    one: { bundlesEach: 8, resultsEach: 1 },
    twenty: { bundlesEach: 1, resultsEach: 20 },
  },
};

export const INTAKE_ROWS = [
  { name: 'intake-to-accepted', size: 'one', until: 'accepted', target: 0.6 },
  { name: 'intake-to-confirmed', size: 'one', until: 'confirmed', target: 0.3 },
  { name: 'intake-to-accepted-20', size: 'twenty', until: 'accepted', target: 0.6 },
  { name: 'intake-to-confirmed-20', size: 'twenty', until: 'confirmed', target: 0.3 },
];

export const INTAKE_PAIR_ROWS = [
  {
    name: 'intake-to-accepted-postgres',
    size: 'one',
    until: 'accepted',
    target: 0.45,
  },
  {
    name: 'intake-to-confirmed-postgres',
    size: 'one',
    until: 'confirmed',
    target: 0.2,
  },
];

/**
 * Bundles a second from the first byte sent to the last result accepted, and to the last one confirmed,
 * beside the straight-line script fed by the same generator and posting to the same sink. The two take turns,
 * so that whatever else the machine does meets both.
 */
export async function intakeRows(wanted, { quick, profile, say }) {
  const directory = mkdtempSync(join(tmpdir(), 'drumline-bench-'));
  const children = [];
  const child = (file) => {
    const started = startChild(file);
    children.push(started);
    return started;
  };
  let gateway = null;
  try {
    const serials = Array.from({ length: SENDERS }, (_, i) => `NQ-B-${String(i).padStart(4, '0')}`);
    const siteFolder = copySite(directory, serials);
    const sink = child('./sink.mjs');
    const generator = child('./generator.mjs');
    const straight = child('./straight-line.mjs');
    const sinkUrl = await sink.ask('listen');
    await generator.ask('open', { siteFolder });
    const straightUrl = await straight.ask('open', { siteFolder, sinkUrl });
    gateway = await startGateway({ directory, siteFolder, sinkUrl, profile });
    const world = { sink, generator, straightUrl, gateway, serials, say };
    const rows = [];
    for (const size of ['one', 'twenty']) {
      const ofSize = wanted.filter((row) => row.size === size);
      if (ofSize.length > 0) rows.push(...(await measure(world, ofSize, size, quick)));
    }
    const { doubles } = await sink.ask('counts');
    if (doubles > 0) throw new Error(`${doubles} messages arrived twice`);
    await gateway.stop();
    await gateway.checkBooks();
    return rows;
  } catch (error) {
    await gateway?.kill();
    throw error;
  } finally {
    for (const started of children) await started.stop();
    rmSync(directory, { recursive: true, force: true });
  }
}

/** The same over PostgreSQL and Redis, where one process takes and answers and two work. */
export async function intakePairRows(world, wanted) {
  const { quick, say } = world.options;
  const rows = await measure({ ...world, say }, wanted, 'one', quick);
  await world.gateway.checkBooks();
  return rows;
}

async function measure(world, wanted, size, quick) {
  const { rounds, [size]: counts } = SIZES[quick ? 'quick' : 'full'];
  const found = [];
  // Round 0 warms both up and is not counted.
  for (let i = 0; i <= rounds; i++) {
    const round = await oneRound(world, { ...counts, round: `${size}-${i}` });
    world.say(
      `${size} round ${i}: accepted ${round.accepted.toFixed(1)}/s, confirmed ${round.confirmed.toFixed(1)}/s, answered ${round.answered.toFixed(1)}/s; straight-line ${round.straight.toFixed(1)}/s`,
    );
    if (i > 0) found.push(round);
  }
  return wanted.map(({ name, until, target }) =>
    rowOf(
      { name, unit: 'bundles/s', target },
      found.map((round) => ({ value: round[until], ceiling: round.straight })),
    ),
  );
}

async function oneRound({ sink, generator, straightUrl, gateway, serials }, counts) {
  const spec = { ...counts, instruments: serials };
  const bundles = SENDERS * counts.bundlesEach;
  const more = bundles * counts.resultsEach * DESTINATIONS;
  await generator.ask('prepare', spec);
  await gateway.announce(receiptIds(spec));
  const rate = (from, to) => (bundles * 1000) / (to - from);

  const before = await sink.ask('counts');
  const until = (what, since) => sink.ask('until', { what, since, more, deadlineMs: DEADLINE_MS });
  const posted = until('stored', before.stored);
  const script = await generator.ask('send', { url: straightUrl, path: '/', key: 'none' });
  const straight = rate(script.startedAt, await posted);

  const accepted = until('stored', before.stored + more);
  const confirmed = until('asked', before.asked);
  const { url, key } = gateway;
  const sent = await generator.ask('send', { url, path: '/api/v1/bundles', key });
  return {
    straight,
    answered: rate(sent.startedAt, sent.endedAt),
    accepted: rate(sent.startedAt, await accepted),
    confirmed: rate(sent.startedAt, await confirmed),
  };
}
