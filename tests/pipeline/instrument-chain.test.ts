import { describe, expect, it } from 'vitest';
import type { BundleParts } from '../../src/checks/assemble-bundle.js';
import { formatInstant } from '../../src/formats/instant.js';
import { at, goodParts, goodResult, SITE, tampered } from '../checks/fixture.js';
import { BundleBench } from './bundle-bench.js';

/** What a settled bundle says about its instrument: which runs are accounted for, and when it was heard. */

const I1 = 'I-1';

async function instrument(bench: BundleBench, serial = I1) {
  const row = await bench.database.db
    .selectFrom('instrument_state')
    .selectAll()
    .where('serial', '=', serial)
    .executeTakeFirst();
  return row && { epoch: row.epoch, lastRun: row.last_run, heard: row.heard_at, runs: row.covered };
}

let bundles = 0;

/** A bundle with results of these runs. */
function runs(numbers: readonly number[], over: Partial<BundleParts> = {}): BundleParts {
  bundles += 1;
  const results = numbers.map((n) => goodResult(n));
  return goodParts(results, { bundleId: `B-${bundles}`, ...over });
}

const range = (from: number, to: number, epoch = 1) => ({ epoch, from, to });

async function openGaps(bench: BundleBench): Promise<string[]> {
  const rows = await bench.discrepancies();
  return rows.filter((d) => d.class === 'run-gap' && d.closed_at === null).map((d) => d.subject);
}

describe('the runs of an instrument', () => {
  it('are joined over its bundles, in whatever order they come', async () => {
    const bench = await BundleBench.open();
    await bench.settle(runs([5, 6]));
    await bench.settle(runs([1, 2]));
    expect(await instrument(bench)).toMatchObject({
      epoch: 1,
      lastRun: 6,
      runs: JSON.stringify([range(1, 2), range(5, 6)]),
    });
    await bench.settle(runs([3, 4]));
    expect(await instrument(bench)).toMatchObject({ runs: JSON.stringify([range(1, 6)]) });
  });

  it('begin again with an epoch; a late bundle of the old one does not turn the count back', async () => {
    const bench = await BundleBench.open();
    await bench.settle(runs([1, 2]));
    await bench.settle(runs([1], { runs: { epoch: 2, first: 1, last: 1 } }));
    await bench.settle(runs([3, 4], { runs: { epoch: 1, first: 3, last: 4 } }));
    expect(await instrument(bench)).toMatchObject({
      epoch: 2,
      lastRun: 1,
      runs: JSON.stringify([range(1, 4), range(1, 1, 2)]),
    });
  });

  it('count also while their bundle is held, so that it is one discrepancy and no gap besides', async () => {
    const bench = await BundleBench.open();
    const spoilt = tampered(runs([1, 2]), (document) => {
      document['createdAt'] = '2026-07-01T11:58:00Z';
      document['operators'] = 'nobody';
    });
    const id = await bench.settle(spoilt);
    expect((await bench.bundle(id)).state).toBe('held');
    await bench.settle(runs([3]));
    expect(await openGaps(bench)).toEqual([]);
    expect((await bench.discrepancies()).map((d) => d.class)).toEqual(['held']);
  });
});

describe('a gap', () => {
  it('is opened once, narrowed by what fills a part of it, and closed by the bundle that fills the rest', async () => {
    const bench = await BundleBench.open();
    await bench.settle(runs([1]));
    await bench.settle(runs([5]));
    await bench.settle(runs([6]));
    expect(await openGaps(bench)).toEqual(['runs:I-1:1:2-4']);
    await bench.settle(runs([3]));
    expect(await openGaps(bench)).toEqual(['runs:I-1:1:2-2', 'runs:I-1:1:4-4']);
    const last = await bench.settle(runs([2, 4]));
    expect(await openGaps(bench)).toEqual([]);
    const closed = (await bench.discrepancies()).filter((d) => d.subject === 'runs:I-1:1:4-4');
    expect(closed.map((d) => d.closing_evidence)).toEqual([`bundle:${last}`]);
  });

  it.each(['%', 'I_1', 'i-1', 'I-1:1', 'I'])(
    'is not closed by a bundle of an instrument that calls itself %s',
    async (serial) => {
      const bench = await BundleBench.open();
      await bench.settle(runs([2]));
      const parts = runs([1]);
      await bench.settle({ ...parts, instrument: { ...parts.instrument, serial } });
      expect(await openGaps(bench)).toContain('runs:I-1:1:1-1');
    },
  );

  it('of a serial that holds a colon is not closed by the serial before the colon', async () => {
    const bench = await BundleBench.open();
    const parts = runs([7], { runs: { epoch: 4, first: 7, last: 7 } });
    await bench.settle({ ...parts, instrument: { ...parts.instrument, serial: 'I-1:1' } });
    await bench.settle(runs([1]));
    expect(await openGaps(bench)).toEqual(['runs:I-1:1:4:1-6']);
  });
});

describe('rule 7: a bundle whose origin covers nothing here', () => {
  const production = { ...SITE, environment: 'production' as const };
  const measured = { origin: 'instrument', environment: 'production' } as const;
  const packed = { origin: 'packed', environment: 'production' } as const;

  it('fills no gap that a lost bundle left, and the bundle that was lost fills it', async () => {
    const bench = await BundleBench.open(production);
    await bench.settle(runs([1], measured));
    await bench.settle(runs([3], measured));
    expect(await openGaps(bench)).toEqual(['runs:I-1:1:2-2']);
    await bench.settle(runs([2], packed));
    expect(await openGaps(bench)).toEqual(['runs:I-1:1:2-2']);
    await bench.settle(runs([2], measured));
    expect(await openGaps(bench)).toEqual([]);
  });

  it('hides none that comes to light behind it', async () => {
    const bench = await BundleBench.open(production);
    await bench.settle(runs([1], measured));
    await bench.settle(runs([2], packed));
    expect(await instrument(bench)).toMatchObject({
      lastRun: 1,
      runs: JSON.stringify([range(1, 1)]),
    });
    await bench.settle(runs([3], measured));
    expect(await openGaps(bench)).toEqual(['runs:I-1:1:2-2']);
  });
});

describe('an instrument is heard', () => {
  const clocks = (instrumentClock: string, syncPc: string) => ({
    clocks: { instrument: instrumentClock, syncPc },
  });

  it('by the slower of its clocks', async () => {
    const bench = await BundleBench.open();
    await bench.settle(runs([1], clocks('2026-07-01T11:59:30Z', '2026-07-01T11:59:00Z')));
    expect((await instrument(bench))?.heard).toBe(at('2026-07-01T11:59:00Z'));
    await bench.settle(runs([2], clocks('2026-07-01T11:59:10Z', '2026-07-01T11:59:40Z')));
    expect((await instrument(bench))?.heard).toBe(at('2026-07-01T11:59:10Z'));
  });

  it('never later than its bundle was received, however far its clocks are ahead', async () => {
    const bench = await BundleBench.open();
    const id = await bench.settle(
      runs([1], clocks('2026-07-01T12:01:00Z', '2026-07-01T12:01:00Z')),
    );
    const { received_at: received, state } = await bench.bundle(id);
    expect(state).toBe('accepted');
    expect((await instrument(bench))?.heard).toBe(received);
    expect(formatInstant(received)).toBe('2026-07-01T12:00:00.001000Z');
  });

  it('never earlier than before by a bundle that was late', async () => {
    const bench = await BundleBench.open();
    await bench.settle(runs([2], clocks('2026-07-01T11:59:30Z', '2026-07-01T11:59:30Z')));
    await bench.settle(runs([1], clocks('2026-07-01T11:50:00Z', '2026-07-01T11:50:00Z')));
    expect((await instrument(bench))?.heard).toBe(at('2026-07-01T11:59:30Z'));
  });

  it('by an empty bundle as well, and not at all by one that is held', async () => {
    const bench = await BundleBench.open();
    const spoilt = tampered(runs([]), (document) => {
      document['operators'] = 'nobody';
    });
    await bench.settle(spoilt);
    expect((await instrument(bench))?.heard).toBe(0);
    await bench.settle(runs([]));
    expect((await instrument(bench))?.heard).toBe(at('2026-07-01T11:59:00Z'));
  });
});
