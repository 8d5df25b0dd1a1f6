import { beforeEach, describe, expect, it } from 'vitest';
import {
  mayRepeatNoise,
  NOISE_LOOK_BACK,
  sameNoise,
  tracePattern,
} from '../../src/checks/bundle-traces.js';
import type { ReadableExamination } from '../../src/checks/examination.js';
import { encodeCurve } from '../../src/checks/noise-curve.js';
import { patternSteps } from '../../src/checks/signal-region.js';
import { measurementsBeside, measurementsOf } from '../../src/pipeline/second-look.store.js';
import { loadSense } from '../../src/pipeline/sense.store.js';
import { seededRandom } from '../../src/simulation/seeded-random.js';
import { StatementWorld } from '../statements/statement-world.js';

/** Which earlier results the noise of a bundle is held against. */

const KEY = 'm-1@3 64 400.00000';
const METHOD = 'm-1@3';
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

/** Of every so many of 64 points. */
function curveOf(seed: number, every = 1): string {
  const values = seededRandom(seed);
  const intensity = Float64Array.from({ length: 64 }, () => values());
  const axis = intensity.map((_, i) => 400 + 2 * i);
  const isKept = (_: number, i: number) => i % every === 0;
  const text = encodeCurve(axis.filter(isKept), intensity.filter(isKept), 0, 64 / every);
  if (text === null) throw new Error('expected a curve');
  return text;
}

const COPIED_CURVE = curveOf(1);
const THINNED_CURVE = curveOf(1, 2);

let world: StatementWorld;

const OTHER_KEY = 'm-1@3 64 400.00100';

/** Odd ones are on another axis, those of the bundle aside. */
const onTwoAxes = (n: number) => {
  const isOwn = n >= OWN.from && n <= OWN.to;
  return { noise_key: isOwn || n % 2 === 0 ? KEY : OTHER_KEY, noise_method: METHOD };
};

/**
 * Results with a trace each; those of `copies`, and the first of the bundle itself, have the same noise.
 *
 * @param kindOf key and method of each, by default as before there was one of the method
 */
async function store(
  copies: readonly number[],
  kindOf: (n: number) => {
    noise_key: string;
    noise_method: string | null;
    noise_curve?: string;
  } = () => ({
    noise_key: KEY,
    noise_method: null,
  }),
): Promise<void> {
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
      const trace = {
        result_row_id: rowId(n),
        noise_curve: null,
        ...kindOf(n),
        noise,
        probe_cover: null,
      };
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

  it('finds what is on another axis among as many of the method', async () => {
    const first = OWN.from - NOISE_LOOK_BACK;
    // On the other axis the first of the fifty and the one before it, and one of the own axis before that.
    await store([first, first - 2, first - 1, OWN.to + 1], onTwoAxes);
    const of = { site: world.site.site, bundleRowId: 'own' };
    const found = await world.database.transact(async (trx) =>
      measurementsBeside(trx, of, await measurementsOf(trx, of), {
        noise: MAX,
        secondsApart: null,
      }),
    );
    expect(found.map((one) => one.rowId).sort()).toEqual([first - 1, first, OWN.to + 1].map(rowId));
    expect(found.map(({ noise }) => noise?.key).sort()).toEqual([KEY, OTHER_KEY, OTHER_KEY]);
  });

  it('finds what is of another method and axis among the fifty of all on either side', async () => {
    const first = OWN.from - NOISE_LOOK_BACK;
    const alike = [first - 1, first, OWN.to + NOISE_LOOK_BACK];
    await store([], (n) => ({
      noise_key: `m-${n}@1 64 ${n}`,
      noise_method: `m-${n}@1`,
      noise_curve: alike.includes(n) ? THINNED_CURVE : curveOf(n === OWN.from ? 1 : n + 2),
    }));
    const of = { site: world.site.site, bundleRowId: 'own' };
    const found = await world.database.transact(async (trx) =>
      measurementsBeside(trx, of, await measurementsOf(trx, of), {
        noise: MAX,
        secondsApart: null,
      }),
    );
    expect(found.map((one) => one.rowId).sort()).toEqual(
      [first, OWN.to + NOISE_LOOK_BACK].map(rowId),
    );
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
  it('knows what is alike among the latest fifty of one axis, the latest first', async () => {
    await store([TOTAL - 1, TOTAL - 20, TOTAL - NOISE_LOOK_BACK, TOTAL - NOISE_LOOK_BACK - 1]);
    const expected = [TOTAL - 1, TOTAL - 20, TOTAL - NOISE_LOOK_BACK].map(rowId);
    expect(await known()).toEqual(expected);
  });

  it('knows what is alike on another axis among the latest fifty of the method', async () => {
    // Of the fifty latest on the axis of KEY 25 are behind the bundle and 10 in it: the last of them is the 15th before.
    const [last, beyond] = [OWN.from - 29, OWN.from - 31];
    await store([TOTAL - 48, TOTAL - 62, last, beyond], onTwoAxes);
    expect(await known()).toEqual([TOTAL - 48, OWN.from, last].map(rowId));
  });

  it('knows what is alike of another method and axis among the latest fifty of all', async () => {
    // The key, the method and the steps say nothing of any of them.
    const [last, beyond] = [TOTAL - NOISE_LOOK_BACK, TOTAL - NOISE_LOOK_BACK - 1];
    await store([], (n) => ({
      noise_key: `m-${n}@1 64 ${n}`,
      noise_method: `m-${n}@1`,
      noise_curve: n === last || n === beyond ? THINNED_CURVE : curveOf(n + 2),
    }));
    expect(await known()).toEqual([last].map(rowId));
  });

  async function known(): Promise<string[]> {
    const limit = { value: String(MAX), source: 'test' };
    const site = { ...world.site, signal: { noiseCorrelationMax: limit, pace: {} } };
    const examination = {
      header: { instrumentSerial: null, runEpoch: null },
      results: [
        {
          pattern: { key: KEY, method: METHOD, steps: COPIED, curve: COPIED_CURVE },
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
    return noise.map((one) => one.rowId);
  }
});

it('leaves out only what the rule would not find', () => {
  const noiseOf = (text: string) => ({ key: KEY, method: METHOD, steps: text, curve: null });
  const own = Array.from({ length: 6 }, steps);
  const kept = Array.from({ length: 60 }, (_, n) => {
    const like = Int8Array.from(patternSteps(own[n % own.length] as string));
    const changed = like.map((step) => (random() < n / 60 ? Math.round(random() * 80 - 40) : step));
    return { n, noise: noiseOf(Buffer.from(changed).toString('base64')) };
  });
  const trace = (noise: string, sha256: string) => ({
    sha256,
    intensitySha256: null,
    pattern: tracePattern(noiseOf(noise)),
  });
  const found = kept.filter(({ noise }) =>
    own.some((one) => sameNoise(trace(one, 'a'), trace(noise.steps, 'b'), MAX) !== null),
  );
  const sieve = mayRepeatNoise(own.map(noiseOf), kept, MAX);
  let step = sieve.next();
  while (step.done !== true) step = sieve.next();
  expect(step.value).toEqual(found);
  expect(found.length).toBeGreaterThan(3);
  expect(found.length).toBeLessThan(50);
});
