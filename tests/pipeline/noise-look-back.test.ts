import { beforeEach, describe, expect, it } from 'vitest';
import { mayRepeatNoise, NOISE_LOOK_BACK, sameNoise } from '../../src/checks/bundle-traces.js';
import type { ReadableExamination } from '../../src/checks/examination.js';
import { patternSteps } from '../../src/checks/signal-region.js';
import { measurementsBeside, measurementsOf } from '../../src/pipeline/second-look.store.js';
import { loadSense } from '../../src/pipeline/sense.store.js';
import { seededRandom } from '../../src/simulation/seeded-random.js';
import { StatementWorld } from '../statements/statement-world.js';

/** Which earlier results the noise of a bundle is held against. */

const KEY = 'm-1@3 64 400.00000';
const MAX = 0.9;
const random = seededRandom(7);

function steps(): string {
  return Buffer.from(Int8Array.from({ length: 64 }, () => Math.round(random() * 80 - 40))).toString(
    'base64',
  );
}

/** Row ids in the order of storing, as UUIDv7 are. */
const rowId = (n: number) => `0190aaaa-0000-7000-8000-${String(n).padStart(12, '0')}`;

const OWN = { from: 61, to: 70 };
const TOTAL = OWN.to + NOISE_LOOK_BACK + 1;
const COPIED = steps();

let world: StatementWorld;

/** Results with a trace each; those of `copies`, and the first of the bundle itself, have the same noise. */
async function store(copies: readonly number[]): Promise<void> {
  world = await StatementWorld.open();
  const measured = Array.from({ length: TOTAL }, (_, n) => ({ container: `C-${n}` }));
  const ids = await world.measure(...measured);
  await world.database.transact(async (trx) => {
    for (const [n, id] of ids.entries()) {
      const isOwn = n >= OWN.from && n <= OWN.to;
      const after = { id: rowId(n), bundle_row_id: isOwn ? 'own' : `other-${n}` };
      await trx.updateTable('result').set(after).where('id', '=', id).execute();
      const isCopy = n === OWN.from || copies.includes(n);
      const noise = isCopy ? COPIED : steps();
      const trace = { result_row_id: rowId(n), noise_key: KEY, noise, probe_cover: null };
      await trx
        .insertInto('measured_trace')
        .values({ site: world.site.site, ...trace })
        .execute();
    }
  });
}

describe('a second look', () => {
  const nearest = [OWN.from - NOISE_LOOK_BACK, OWN.from - 1, OWN.to + 1, OWN.to + NOISE_LOOK_BACK];
  const beyond = [OWN.from - NOISE_LOOK_BACK - 1];

  beforeEach(() => store([...nearest, ...beyond]));

  it('finds what is alike among the fifty on either side, its own bundle aside', async () => {
    const of = { site: world.site.site, bundleRowId: 'own' };
    const found = await world.database.transact(async (trx) => {
      const own = await measurementsOf(trx, of);
      expect(own).toHaveLength(OWN.to - OWN.from + 1);
      return await measurementsBeside(trx, of, own, { noise: MAX, secondsApart: null });
    });
    expect(found.map((one) => one.rowId).sort()).toEqual(nearest.map(rowId));
    expect(found.every(({ noise }) => noise?.key === KEY && noise.steps === COPIED)).toBe(true);
  });

  it('asks for no noise where nothing limits it', async () => {
    const of = { site: world.site.site, bundleRowId: 'own' };
    const found = await world.database.transact(async (trx) =>
      measurementsBeside(trx, of, await measurementsOf(trx, of), {
        noise: null,
        secondsApart: null,
      }),
    );
    expect(found).toEqual([]);
  });
});

describe('the first look', () => {
  it('knows what is alike among the latest fifty, the latest first', async () => {
    await store([TOTAL - 1, TOTAL - 20, TOTAL - NOISE_LOOK_BACK, TOTAL - NOISE_LOOK_BACK - 1]);
    const limit = { value: String(MAX), source: 'test' };
    const site = { ...world.site, signal: { noiseCorrelationMax: limit, pace: {} } };
    const examination = {
      header: { instrumentSerial: null, runEpoch: null },
      results: [
        {
          pattern: { key: KEY, steps: COPIED },
          spectrum: null,
          result: null,
          reading: { operatorId: null, measuredAt: null, runNumber: null },
        },
      ],
      performanceChecks: [],
    } as unknown as ReadableExamination;
    const { noise } = await world.database.transact((trx) =>
      loadSense(trx, site as unknown as typeof world.site, examination),
    );
    const expected = [TOTAL - 1, TOTAL - 20, TOTAL - NOISE_LOOK_BACK].map(rowId);
    expect(noise.get(KEY)?.map((one) => one.rowId)).toEqual(expected);
  });
});

it('leaves out only what the rule would not find', () => {
  const own = Array.from({ length: 6 }, steps);
  const kept = Array.from({ length: 60 }, (_, n) => {
    const like = Int8Array.from(patternSteps(own[n % own.length] as string));
    const changed = like.map((step) => (random() < n / 60 ? Math.round(random() * 80 - 40) : step));
    return { n, noise: n % 13 === 0 ? null : Buffer.from(changed).toString('base64') };
  });
  const trace = (noise: string, sha256: string) => ({
    sha256,
    pattern: { key: KEY, steps: patternSteps(noise) },
  });
  const found = kept.filter(
    ({ noise }) =>
      noise !== null &&
      own.some((one) => sameNoise(trace(one, 'a'), trace(noise, 'b'), MAX) !== null),
  );
  const sieve = mayRepeatNoise(own, kept, MAX);
  let step = sieve.next();
  while (step.done !== true) step = sieve.next();
  expect(step.value).toEqual(found);
  expect(found.length).toBeGreaterThan(3);
  expect(found.length).toBeLessThan(50);
});
