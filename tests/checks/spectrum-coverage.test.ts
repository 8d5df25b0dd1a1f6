import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import { testPeaks } from '../../src/checks/peak-test.js';
import { holeIn } from '../../src/formats/axis-hole.js';
import { describeWithSpectra } from '../support/shared.js';
import {
  curve,
  dec,
  examineParts,
  findingsOf,
  goodParts,
  goodResult,
  placesOf,
} from './fixture.js';
import { band, type Curve, changed, resultOn, SIGNAL_SITE, siteWith } from './signal-fixture.js';

/** A curve without the points in some stretches of its axis, ends included. */
function without({ axis, intensity }: Curve, ...holes: (readonly [number, number])[]): Curve {
  const isKept = (x: number) => !holes.some(([from, to]) => x >= from && x <= to);
  return {
    axis: axis.filter(isKept),
    intensity: intensity.filter((_, i) => isKept(axis[i] as number)),
  };
}

const places = (measured: Curve, site = SIGNAL_SITE) =>
  placesOf(findingsOf(examineParts(goodParts([resultOn(measured)]), site)));

/** What a pass on a curve that the recheck cannot score is found to be. */
const placesOfPass = ({ axis, intensity }: Curve) =>
  placesOf(
    findingsOf(
      examineParts(
        goodParts([goodResult(1, { spectrum: encodeSpectrum(axis, intensity, 'float64') })]),
      ),
    ),
  );

const HELD = [
  'spectrum-range /results/0/spectrum/axis',
  'recheck-not-possible /results/0/spectrum',
];

describe('a spectrum with a hole in its axis', () => {
  /** Paracetamol with bands of something else. */
  const foreign = changed(
    (y, x) => y + band(x, 920, 2500) + band(x, 1060, 2500) + band(x, 1450, 2500),
  );

  it('is held where the points that would show another substance are left out', () => {
    expect(placesOfPass(foreign).join()).toMatch(/^recheck-disagrees /);
    const holes = [
      [880, 960],
      [1010, 1100],
      [1400, 1500],
    ] as const;
    expect(placesOfPass(without(foreign, ...holes))).toEqual(HELD);
  });

  it('says where the hole is, against what the axis is spaced by', () => {
    const { axis, intensity } = without(curve('paracetamol'), [880, 960]);
    const spectrum = encodeSpectrum(axis, intensity, 'float64');
    const [finding] = findingsOf(examineParts(goodParts([goodResult(1, { spectrum })])));
    expect(finding?.numbers).toEqual({ after: '878', before: '962', spacing: '2' });
    expect(finding?.message).toBe(
      'expected points throughout 250 to 1800 cm-1, found none between 878 and 962 cm-1 where they lie 2 cm-1 apart',
    );
  });

  it('is whole with single points left out, or with a hole beside the range', () => {
    const single = without(curve('paracetamol'), [1000, 1002], [1200, 1200]);
    expect(placesOfPass(single)).toEqual([]);
    expect(placesOfPass(without(curve('paracetamol'), [1000, 1004]))).toEqual(HELD);
    expect(placesOfPass(without(curve('paracetamol'), [210, 248], [1802, 1940]))).toEqual([]);
    expect(placesOfPass(without(curve('paracetamol'), [210, 250]))).toEqual(HELD);
  });

  it('is one whose points all lie further apart than the instrument resolves', () => {
    const { axis, intensity } = curve('paracetamol');
    const fewer = {
      axis: axis.filter((_, i) => i % 4 === 0),
      intensity: intensity.filter((_, i) => i % 4 === 0),
    };
    expect(places(fewer)).toContain('spectrum-range /results/0/spectrum/axis');
    expect(places(fewer, siteWith({ detectors: [] }))).not.toContain(
      'spectrum-range /results/0/spectrum/axis',
    );
  });
});

describe('a hole in an axis', () => {
  it('is a gap of more than three times the median spacing of the stretch', () => {
    const axis = Float64Array.of(0, 1, 2, 3, 6, 7, 8, 12.5, 13, 14);
    expect(holeIn(axis, 0, 8)).toBeNull();
    expect(holeIn(axis, 0, 8.5)).toEqual({ after: 8, before: 12.5, spacing: 1 });
    expect(holeIn(axis, 12, 14)).toEqual(expect.objectContaining({ after: 8, before: 12.5 }));
    expect(holeIn(axis, 12.5, 14)).toBeNull();
  });

  it('is none of an even axis at either width, however long', () => {
    for (const step of [0.1, 0.5, 1.7, 4]) {
      const axis = Float64Array.from({ length: 5000 }, (_, i) => 100 + i * step);
      expect(holeIn(axis, 100, 100 + 4999 * step)).toBeNull();
      expect(holeIn(Float32Array.from(axis), 100, 100 + 4999 * step)).toBeNull();
    }
  });
});

describe('a band that must not be there', () => {
  const wide = curve('paracetamol');
  const test = {
    tolerance: dec('3'),
    relativeTo: dec('857.9'),
    present: [],
    absent: [{ shift: dec('1920'), heightFrom: dec('0.1') }],
  };
  const outcome = ({ axis, intensity }: Curve) => testPeaks(test, axis, intensity, 1);

  it('is not absent where nothing was measured', () => {
    expect(outcome(wide).kind).toBe('passed');
    expect(outcome(without(wide, [1912, 1928]))).toMatchObject({
      kind: 'failed',
      numbers: { 1920: 'unclear, expected below 0.1' },
    });
    expect(outcome(without(wide, [1921, 1925])).kind).toBe('passed');
  });
});

describeWithSpectra('measured axes', (folder) => {
  it.each(readdirSync(folder))('of %s have no hole', (file) => {
    const axis = readFileSync(join(folder, file), 'utf8')
      .split(/\r?\n/)
      .map((line) => Number(line.split(/[,\t]/)[0] || Number.NaN))
      .filter(Number.isFinite);
    expect(axis.length).toBeGreaterThan(100);
    expect(holeIn(Float64Array.from(axis), axis[0] as number, axis.at(-1) as number)).toBeNull();
  });
});
