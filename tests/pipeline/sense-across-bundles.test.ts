import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { assembleBundle, encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import { readSpectrum } from '../../src/checks/read-spectrum.js';
import { addMs } from '../../src/formats/instant.js';
import type { ResultBundle } from '../../src/intake/result-bundle.js';
import { dec } from '../checks/fixture.js';
import { type Bundle, Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';

/** Rules that compare with earlier bundles, through the whole gateway and its database. All simulated. */

const [FIRST, SECOND] = EAST;
const WEST = 'NQ-R-0003';
const receipt = receiptOf(1);
const other = receiptOf(2, {
  material: 'NQ-1003',
  drums: [{ label: 'D2-01', holds: 'cyclohexane' }],
});

let world: GatewayWorld;
let dock: Dock;

beforeEach(async () => {
  world = await GatewayWorld.open({ erpPulls: false });
  dock = new Dock(world);
  await dock.announce(receipt, other);
});

afterEach(async () => {
  await world.close();
});

const SENSE = [
  'spectrum-duplicate-earlier',
  'spectrum-duplicate-later',
  'noise-duplicate-earlier',
  'noise-duplicate-later',
  'probe-cover-reused',
  'probe-cover-reused-later',
  'operator-at-two-places',
  'operator-at-two-places-later',
  'time-against-runs',
  'remeasured-until-pass',
  'container-decisions-differ',
  'containers-exceed-delivered',
];

/** `code result` of everything these rules found so far, in an order that no arrival decides. */
async function found(): Promise<string[]> {
  const rows = await world.db
    .selectFrom('finding')
    .leftJoin('result', 'result.id', 'finding.result_row_id')
    .select(['code', 'result.result_id', 'finding.message'])
    .where('code', 'in', SENSE)
    .execute();
  return rows.map((row) => `${row.code} ${row.result_id ?? 'bundle'}`).sort();
}

async function entriesOf(action: string): Promise<number> {
  const rows = await world.db
    .selectFrom('audit_entry')
    .select('action')
    .where('action', '=', action)
    .execute();
  return rows.length;
}

async function openHeld(): Promise<number> {
  const rows = await world.db
    .selectFrom('discrepancy')
    .select('subject')
    .where('class', '=', 'held')
    .where('closed_at', 'is', null)
    .execute();
  return rows.length;
}

async function stateOf(resultId: string): Promise<string> {
  const row = await world.db
    .selectFrom('result')
    .select('state')
    .where('result_id', '=', resultId)
    .executeTakeFirstOrThrow();
  return row.state;
}

/** The bundle with each result's spectrum replaced, or changed otherwise. */
function withResults(
  bundle: Bundle,
  change: (results: ResultBundle['results']) => ResultBundle['results'],
): Bundle {
  const { format: _f, version: _v, manifest: _m, ...parts } = bundle.document;
  return assembleBundle({ ...parts, results: change(bundle.document.results) });
}

describe('a spectrum that came before', () => {
  it('holds both it and the result of another container and instrument, once', async () => {
    const one = dock.measure(FIRST, receipt, 'D1-01');
    const original = dock.pack(FIRST);
    await world.take(original);
    const two = dock.measure(SECOND, receipt, 'D1-02');
    const [source] = original.document.results;
    const copied = withResults(dock.pack(SECOND), (results) =>
      results.map((r) => ({
        ...r,
        spectrum: source?.spectrum ?? null,
        score: source?.score ?? null,
      })),
    );
    await world.take(copied);
    const both = [`spectrum-duplicate-earlier ${two}`, `spectrum-duplicate-later ${one}`];
    expect(await found()).toEqual(both);
    expect(await stateOf(two)).toBe('held');
    expect(await stateOf(one)).toBe('held');
    await world.take(original);
    await world.take(copied);
    expect(await found()).toEqual(both);
    expect(await entriesOf('result.held')).toBe(1);
  });

  /** A spectrum that was measured, the same again as another container's, changed, and one that was measured there. */
  async function copiedLater(change: (source: Result) => Pick<Result, 'spectrum' | 'score'>) {
    const one = dock.measure(FIRST, receipt, 'D1-01');
    const original = dock.pack(FIRST);
    await world.take(original);
    const [source] = original.document.results;
    if (source === undefined) throw new Error('expected a result in the bundle');
    const two = dock.measure(SECOND, receipt, 'D1-02');
    const copied = withResults(dock.pack(SECOND), (results) =>
      results.map((r) => ({ ...r, ...change(source) })),
    );
    return { one, two, copied };
  }

  it.each<[string, (source: Result) => Pick<Result, 'spectrum' | 'score'>]>([
    ['an axis moved by 0.001', (source) => onAxis(source, (x) => x + 0.001)],
    [
      'an axis of float64 that is stretched a little',
      (source) => onAxis(source, (x) => x * 1.000_000_1),
    ],
    ['an axis of start and step', evenly],
  ])('holds both where the copy has %s', async (_, change) => {
    const { one, two, copied } = await copiedLater(change);
    await world.take(copied);
    const both = [`spectrum-duplicate-earlier ${two}`, `spectrum-duplicate-later ${one}`];
    expect(await found()).toEqual(both);
    // What is measured again is no copy, whatever its axis is.
    const again = dock.measure(SECOND, receipt, 'D1-02');
    const measured = withResults(dock.pack(SECOND), (rs) =>
      rs.map((r) => ({ ...r, ...onAxis(r, (x) => x + 0.002) })),
    );
    await world.take(measured);
    expect(await found()).toEqual(both);
    expect(await stateOf(again)).toBe('accepted');
    expect(await stateOf(one)).toBe('held');
  });

  it('stops a receipt that conformed by the one that was copied to another axis', async () => {
    const one = dock.measure(FIRST, receipt, 'D1-01');
    const original = dock.pack(FIRST);
    await world.take(original);
    await conforming(receipt);
    dock.measure(SECOND, receipt, 'D1-02');
    const copied = withResults(dock.pack(SECOND), (results) =>
      results.map((r, i) => ({
        ...r,
        ...onAxis(original.document.results[i] ?? r, (x) => x + 0.001),
      })),
    );
    await world.take(copied);
    await stopped(receipt, one);
  });

  it('knows what was stored before intensities had a digest by its axis and intensities', async () => {
    const { one, two, copied } = await copiedLater(({ spectrum, score }) => ({ spectrum, score }));
    await world.write((db) => db.updateTable('result').set({ intensity_sha256: null }).execute());
    await world.take(copied);
    expect(await found()).toEqual([
      `spectrum-duplicate-earlier ${two}`,
      `spectrum-duplicate-later ${one}`,
    ]);
  });

  it('holds both whose noise is the same though the axis was moved and the values changed', async () => {
    const { one, two, copied } = await copiedLater((source) =>
      onAxis({ ...source, ...scaled(source) }, (x) => x - 0.001),
    );
    await world.take(copied);
    const both = [`noise-duplicate-earlier ${two}`, `noise-duplicate-later ${one}`];
    expect(await found()).toEqual(both);
    dock.measure(SECOND, receipt, 'D1-02');
    const measured = withResults(dock.pack(SECOND), (rs) =>
      rs.map((r) => ({ ...r, ...onAxis(r, (x) => x + 0.001) })),
    );
    await world.take(measured);
    expect(await found()).toEqual(both);
  });

  it('holds both whose noise is the same though every second point was left out, under another method too', async () => {
    const { one, two, copied } = await copiedLater((source) =>
      thinned({ ...source, ...scaled(source) }),
    );
    await world.take(copied);
    const both = [`noise-duplicate-earlier ${two}`, `noise-duplicate-later ${one}`];
    expect(await found()).toEqual(both);
    const three = dock.measure(WEST, other, 'D2-01');
    const [source] = copied.document.results;
    if (source === undefined) throw new Error('expected a result in the bundle');
    const elsewhere = withResults(dock.pack(WEST), (rs) =>
      rs.map((r) => ({ ...r, spectrum: onAxis(source, (x) => x + 0.0001).spectrum })),
    );
    await world.take(elsewhere);
    expect(await found()).toContain(`noise-duplicate-earlier ${three}`);
    dock.measure(SECOND, receipt, 'D1-02');
    const measured = withResults(dock.pack(SECOND), (rs) =>
      rs.map((r) => ({ ...r, ...thinned(r) })),
    );
    const before = (await found()).length;
    await world.take(measured);
    expect(await found()).toHaveLength(before);
  });

  it('holds both whose noise is the same though the values were changed', async () => {
    const one = dock.measure(FIRST, receipt, 'D1-01');
    const original = dock.pack(FIRST);
    await world.take(original);
    const two = dock.measure(SECOND, receipt, 'D1-02');
    const altered = withResults(dock.pack(SECOND), (results) =>
      results.map((r, i) => ({ ...r, ...scaled(original.document.results[i]) })),
    );
    await world.take(altered);
    const both = [`noise-duplicate-earlier ${two}`, `noise-duplicate-later ${one}`];
    expect(await found()).toEqual(both);
    dock.measure(FIRST, receipt, 'D1-02');
    await dock.sync(FIRST);
    expect(await found()).toEqual(both);
    expect(await stateOf(one)).toBe('held');
  });

  /** One that is copied, its copy, a copy with other values, a contrary result with the copy, and one of its own. */
  function copies() {
    dock.measure(FIRST, receipt, 'D1-01');
    const original = dock.pack(FIRST);
    const [source] = original.document.results;
    const copyOf = { spectrum: source?.spectrum ?? null, score: source?.score ?? null };
    dock.measure(SECOND, receipt, 'D1-02');
    const copied = withResults(dock.pack(SECOND), (rs) => rs.map((r) => ({ ...r, ...copyOf })));
    dock.measure(WEST, other, 'D2-01', { picks: 'NQ-1001' });
    const altered = withResults(dock.pack(WEST), (rs) =>
      rs.map((r) => ({ ...r, ...scaled(source) })),
    );
    dock.measure(SECOND, receipt, 'D1-02', { says: { decision: 'inconclusive' } });
    const contrary = withResults(dock.pack(SECOND), (rs) =>
      rs.map((r) => ({ ...r, spectrum: copyOf.spectrum })),
    );
    dock.measure(FIRST, receipt, 'D1-02');
    const own = dock.pack(FIRST);
    return [original, copied, altered, contrary, own] as const;
  }

  it.each([[[0, 1, 2, 3, 4]], [[4, 3, 2, 1, 0]], [[2, 4, 0, 3, 1]], [[3, 1, 4, 0, 2]]])(
    'leaves the same results held in the order of arrival %j',
    async (order) => {
      const bundles = copies();
      for (const place of order) {
        await world.take(bundles[place as 0]);
        await world.quiet();
      }
      const rows = await world.db
        .selectFrom('result')
        .select(['result_id', 'state', 'contrary'])
        .orderBy('result_id')
        .execute();
      const [original, copied, altered, contrary, own] = bundles.map(
        ({ document }) => document.results[0]?.resultId ?? '',
      );
      expect(rows.filter((r) => r.state === 'held').map((r) => r.result_id)).toEqual(
        [original, copied, altered, contrary].sort(),
      );
      expect(rows.filter((r) => r.state === 'accepted').map((r) => r.result_id)).toEqual([own]);
      expect(rows.filter((r) => r.contrary === 1).map((r) => r.result_id)).toContain(contrary);
      const statement = await world.statement(receipt.id);
      expect(statement.outcome).toBe('does-not-conform');
      await world.until('the comparison names each of them', async () => (await openHeld()) === 4);
      // Whatever a destination got of a held one was withdrawn there, behind it.
      const deliveries = await world.db
        .selectFrom('delivery')
        .select(['subject_kind', 'subject_id', 'state', 'ordering_key', 'seq', 'destination'])
        .where('subject_kind', 'in', ['result', 'withdrawal'])
        .where('state', '=', 'confirmed')
        .execute();
      const standing = new Map<string, string>();
      for (const d of [...deliveries].sort((a, b) => a.seq - b.seq)) {
        standing.set(`${d.destination} ${d.ordering_key}`, d.subject_kind);
      }
      const shown = [...standing].filter(([, kind]) => kind === 'result').map(([key]) => key);
      expect(shown.every((key) => key.includes(own ?? '?'))).toBe(true);
      expect(shown.length).toBeGreaterThan(0);
    },
  );
});

const immersed = (probeCover: string) => ({
  presentation: { kind: 'immersion-probe' as const, probeCover },
});

describe('a disposable cover', () => {
  it.each([[[0, 1, 2]], [[1, 0, 2]], [[2, 1, 0]]])(
    'holds both results whose materials it was in, in the order of arrival %j',
    async (order) => {
      const one = dock.measure(FIRST, receipt, 'D1-01', { says: immersed('K 7') });
      dock.measure(FIRST, receipt, 'D1-02', { says: immersed('K 8') });
      const first = dock.pack(FIRST);
      const same = dock.measure(WEST, other, 'D2-01', { says: immersed(' K  7 ') });
      const second = dock.pack(WEST);
      dock.measure(SECOND, receipt, 'D1-01', { says: immersed('K 8') });
      const third = dock.pack(SECOND);
      const bundles = [first, second, third];
      for (const place of order) await world.take(bundles[place] as Bundle);
      const isFirstLater = order.indexOf(0) > order.indexOf(1);
      const [later, earlier] = isFirstLater ? [one, same] : [same, one];
      expect(await found()).toEqual([
        `probe-cover-reused ${later}`,
        `probe-cover-reused-later ${earlier}`,
      ]);
      expect(await stateOf(one)).toBe('held');
      expect(await stateOf(same)).toBe('held');
    },
  );

  it('stops a receipt that conformed, and withdraws what was delivered', async () => {
    dock.measure(FIRST, receipt, 'D1-01', { says: immersed('K 7') });
    await conforming(receipt);
    dock.measure(WEST, other, 'D2-01', { says: immersed('K 7') });
    await dock.sync(WEST);
    await stopped(receipt, `${FIRST}-1-R1`);
  });
});

describe('one operator', () => {
  it('holds both results in two areas within the time that the way takes, and none in one area', async () => {
    const at = addMs(world.clock.now(), -900_000);
    const [says] = [{ operatorId: 'op-12' }];
    const first = dock.measure(FIRST, receipt, 'D1-01', { at, says });
    const near = dock.measure(SECOND, receipt, 'D1-02', { at: addMs(at, 1000), says });
    const late = dock.measure(WEST, other, 'D2-01', { at: addMs(at, 59_000), says });
    const rest = dock.measure(WEST, other, 'D2-01', { at: addMs(at, 200_000), says });
    for (const serial of [FIRST, SECOND, WEST]) await dock.sync(serial);
    expect(await found()).toEqual([
      `operator-at-two-places ${late}`,
      `operator-at-two-places-later ${first}`,
      `operator-at-two-places-later ${near}`,
    ]);
    for (const id of [first, near, late]) expect(await stateOf(id)).toBe('held');
    expect(await stateOf(rest)).toBe('accepted');
  });

  it('stops a receipt that conformed, and withdraws what was delivered', async () => {
    const at = addMs(world.clock.now(), -900_000);
    dock.measure(FIRST, receipt, 'D1-01', { at, says: { operatorId: 'op-12' } });
    await conforming(receipt);
    dock.measure(WEST, other, 'D2-01', { at, says: { operatorId: 'op-12' } });
    await dock.sync(WEST);
    await stopped(receipt, `${FIRST}-1-R1`);
  });
});

/** Brings a receipt whose first drum was measured to *conforms*. */
async function conforming(of: typeof receipt): Promise<void> {
  dock.measure(FIRST, of, 'D1-02');
  await dock.sync(FIRST);
  await dock.sync(SECOND);
  await world.says(of.id, 'conforms');
  await world.quiet();
}

/** A stop went out, and the result was withdrawn at every destination that had it. */
async function stopped(of: typeof receipt, resultId: string): Promise<void> {
  await world.quiet();
  expect((await world.statement(of.id)).stopInForce?.kind).toBe('suspend');
  expect(await stateOf(resultId)).toBe('held');
  const rows = await world.db
    .selectFrom('delivery')
    .select(['destination', 'message', 'state'])
    .where('ordering_key', 'in', [`result:${resultId}`, `stop:${of.id}`])
    .execute();
  const at = (message: string) =>
    rows
      .filter((d) => d.message === message && d.state === 'confirmed')
      .map((d) => d.destination)
      .sort();
  expect(at('result').length).toBeGreaterThan(0);
  expect(at('withdrawal')).toEqual(at('result'));
  expect(at('stop').length).toBeGreaterThan(0);
}

describe('times', () => {
  it('are remarked against the runs of an earlier bundle', async () => {
    const at = addMs(world.clock.now(), -900_000);
    dock.measure(FIRST, receipt, 'D1-01', { at });
    await dock.sync(FIRST);
    dock.measure(FIRST, receipt, 'D1-02', { at: addMs(at, 10_000) });
    const later = withResults(dock.pack(FIRST), (results) =>
      results.map((r) => ({ ...r, measuredAt: earlier(r.measuredAt) })),
    );
    await world.take(later);
    expect(await found()).toEqual(['time-against-runs bundle']);
  });
});

describe('a receipt', () => {
  it('has no more containers measured than were delivered', async () => {
    dock.measure(FIRST, receipt, 'D1-01');
    const strange = dock.measure(FIRST, receipt, 'D1-09');
    await dock.sync(FIRST);
    expect(await found()).toEqual([]);
    const third = dock.measure(FIRST, receipt, 'D1-02');
    await dock.sync(FIRST);
    expect(await found()).toEqual([`containers-exceed-delivered ${third}`]);
    dock.measure(FIRST, receipt, 'D1-01');
    await dock.sync(FIRST);
    expect(await found()).toEqual([`containers-exceed-delivered ${third}`]);
    expect(strange).not.toBe(third);
  });
});

describe('a container that was measured until it passed (rule 12)', () => {
  /** Fails, is inconclusive on another handheld, passes twice; drum 2 passes once. */
  function measure() {
    const at = addMs(world.clock.now(), -900_000);
    const later = (seconds: number) => ({ at: addMs(at, seconds * 1000) });
    const failed = dock.measure(FIRST, receipt, 'D1-01', { holds: 'sulfur', ...later(0) });
    const one = dock.pack(FIRST);
    dock.measure(SECOND, receipt, 'D1-01', { says: { decision: 'inconclusive' }, ...later(10) });
    const two = dock.pack(SECOND);
    const passed = dock.measure(FIRST, receipt, 'D1-01', later(20));
    dock.measure(FIRST, receipt, 'D1-02', later(30));
    const three = dock.pack(FIRST);
    const again = dock.measure(SECOND, receipt, 'D1-01', later(40));
    const four = dock.pack(SECOND);
    return { bundles: [one, two, three, four] as const, failed, passed, again };
  }

  it.each([[[0, 1, 2, 3]], [[3, 2, 1, 0]], [[2, 3, 0, 1]]])(
    'ends the same in the order of arrival %j',
    async (order) => {
      const { bundles, failed, passed, again } = measure();
      for (const place of order) await world.take(bundles[place as 0 | 1 | 2 | 3]);
      await world.quiet();
      expect(await found()).toEqual(
        [passed, passed, again, again].map((id) => `remeasured-until-pass ${id}`).sort(),
      );
      const statement = await world.statement(receipt.id);
      expect(statement.outcome).toBe('does-not-conform');
      const condition = statement.conditions.find((c) => c.code === 'no-contrary-result');
      expect(condition?.state).toBe('contradicted');
      const series = condition?.found.slice(
        condition.found.indexOf('container D1-01 was measured'),
      );
      expect(series).toBe(
        `container D1-01 was measured 4 times: ${failed} fail, ${SECOND}-1-R1 inconclusive, ${passed} pass, ${again} pass`,
      );
    },
  );

  it('remarks a failure after a pass as what it is', async () => {
    dock.measure(FIRST, receipt, 'D1-01');
    await dock.sync(FIRST);
    const failed = dock.measure(SECOND, receipt, 'D1-01', { holds: 'sulfur' });
    await dock.sync(SECOND);
    expect(await found()).toEqual([`container-decisions-differ ${failed}`]);
  });
});

function earlier(measuredAt: string): string {
  const offset = measuredAt.slice(-6);
  const at = new Date(Date.parse(measuredAt) - 60_000 + offsetMs(offset));
  return `${at.toISOString().slice(0, 23)}${offset}`;
}

function offsetMs(offset: string): number {
  const [hours, minutes] = offset.slice(1).split(':').map(Number);
  return (offset.startsWith('-') ? -1 : 1) * ((hours ?? 0) * 60 + (minutes ?? 0)) * 60_000;
}

/** The same measurement at 1.05 times its height and 100 counts up, as somebody would hide a copy. */
function scaled(result: ResultBundle['results'][number] | undefined) {
  const spectrum = result?.spectrum;
  if (!result || !spectrum || 'file' in spectrum || spectrum.intensity.encoding !== 'base64') {
    throw new Error('expected a spectrum in the bundle');
  }
  const bytes = Buffer.from(spectrum.intensity.data, 'base64');
  for (let at = 0; at < bytes.length; at += 4) {
    bytes.writeFloatLE(bytes.readFloatLE(at) * 1.05 + 100, at);
  }
  return {
    score: result.score,
    spectrum: { ...spectrum, intensity: { ...spectrum.intensity, data: bytes.toString('base64') } },
  };
}

type Result = ResultBundle['results'][number];

/** A result's spectrum with another axis, both at full width. */
function onAxis(result: Result, change: (x: number) => number): Pick<Result, 'spectrum' | 'score'> {
  const { spectrum, score } = result;
  const read = spectrum && !('file' in spectrum) ? readSpectrum(spectrum, 100_000) : null;
  if (read?.kind !== 'read') throw new Error('expected a spectrum in the bundle');
  const { axis, intensity } = read.values;
  const shifts = Float64Array.from(axis, change);
  return { score, spectrum: encodeSpectrum(shifts, intensity, 'float64') };
}

/** A result's spectrum at every second point. */
function thinned(result: Result): Pick<Result, 'spectrum' | 'score'> {
  const { spectrum, score } = result;
  const read = spectrum && !('file' in spectrum) ? readSpectrum(spectrum, 100_000) : null;
  if (read?.kind !== 'read') throw new Error('expected a spectrum in the bundle');
  const [axis, intensity] = [read.values.axis, read.values.intensity].map((values) =>
    Float64Array.from(values).filter((_, i) => i % 2 === 0),
  );
  if (axis === undefined || intensity === undefined) throw new Error('expected two columns');
  return { score, spectrum: encodeSpectrum(axis, intensity, 'float64') };
}

/** A result's spectrum with its axis as start and step. */
function evenly({ spectrum, score }: Result): Pick<Result, 'spectrum' | 'score'> {
  if (spectrum === null || 'file' in spectrum) throw new Error('expected a spectrum in the bundle');
  // Of an instrument whose wavenumbers were adjusted; on 200 and 2 the values would be the same to the last bit.
  return {
    score,
    spectrum: { ...spectrum, axis: { encoding: 'even', start: dec('200.1'), step: dec('2') } },
  };
}
