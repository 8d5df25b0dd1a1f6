import { describe, expect, it } from 'vitest';
import { encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import { sha256 } from '../../src/formats/canonical-json.js';
import type { BundleResult } from '../../src/intake/result-bundle.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import {
  curve,
  dec,
  examineParts,
  findingsOf,
  goodParts,
  goodResult,
  placesOf,
} from './fixture.js';
import {
  band,
  changed,
  LIMITS,
  limit,
  resultOn,
  SIGNAL_SITE,
  SINGLE_FRAME,
  siteWith,
} from './signal-fixture.js';

const found = (results: readonly BundleResult[], site: SiteFolder = SIGNAL_SITE) =>
  findingsOf(examineParts(goodParts(results), site));
const places = (results: readonly BundleResult[], site: SiteFolder = SIGNAL_SITE) =>
  placesOf(found(results, site));
const good = (run = 1, over: Partial<BundleResult> = {}) =>
  resultOn(curve('paracetamol', run), over, run);
const immersed = (run: number, cover: string, over: Partial<BundleResult> = {}) =>
  good(run, { presentation: { kind: 'immersion-probe', probeCover: cover }, ...over });

const codes = (results: readonly BundleResult[]) => found(results).map(({ code }) => code);

/** The curve of `good(run)`, its axis moved. */
function moved(by: number, run = 1) {
  const { axis, intensity } = curve('paracetamol', run);
  return { axis: axis.map((x) => x + by), intensity };
}

/** The curve of `good(1)` as float32 holds it. */
function rounded() {
  const { axis, intensity } = curve('paracetamol', 1);
  return { axis, intensity: intensity.map(Math.fround) };
}

/** As if it had been measured by the method of M-2, so that materials differ and nothing else does. */
const naphthalene = (run: number, over: Partial<BundleResult>) =>
  goodResult(run, {
    material: 'M-2',
    method: { id: 'ID-M-2', version: '1' },
    spectrum: null,
    decision: 'inconclusive',
    score: null,
    ...over,
  });

describe('signal quality of one result', () => {
  it('is found without fault where nothing is wrong, in a limit of every kind', () => {
    expect(places([good(1), good(2), good(3)])).toEqual([]);
  });

  it('asks for nothing where the site sets no limits', () => {
    const dim = changed((y) => y / 100);
    const none = siteWith({ detectors: [], peaks: {}, methods: [], lasers: [], packaging: [] });
    expect(places([resultOn(dim, { acquisition: {} })], none)).toEqual([]);
    expect(places([resultOn(dim, { acquisition: {} })], { ...none, signal: null })).toEqual([]);
  });

  // spectra.md, "What to check in a test": a single pixel of 65535 is flagged, 65534 is not.
  it.each([
    [65534, []],
    [65535, ['signal-saturated /results/0/spectrum/intensity']],
  ])('judges one pixel of %d against a ceiling of 65535', (top, expected) => {
    const [detector] = LIMITS.detectors;
    if (detector === undefined) throw new Error('no detector');
    const { linearMaxCounts: _none, ...ceilingOnly } = detector;
    const at = 1648;
    const site = siteWith({ detectors: [ceilingOnly], methods: [], peaks: {} });
    const measured = changed((y, x) => (x === at ? top : y));
    const result = resultOn(measured, { decision: 'inconclusive', score: null });
    expect(places([result], site)).toEqual(expected);
  });

  it('counts a point above the linear limit, and none at it', () => {
    const scale = 60_000 / Math.max(...curve('paracetamol', 1).intensity);
    const exact = changed((y) => Math.min(60_000, y * scale));
    expect(places([resultOn(exact)])).toEqual([]);
    expect(places([resultOn(changed((y) => y * scale * 1.001))])).toEqual([
      'signal-saturated /results/0/spectrum/intensity',
    ]);
  });

  it.each([
    [2, []],
    [3, ['signal-saturated /results/0/spectrum/intensity']],
  ])('takes %d equal neighbours at the largest value for what it is', (points, expected) => {
    const { intensity } = curve('paracetamol', 1);
    const top = Math.max(...intensity);
    const at = intensity.indexOf(top);
    const flat = changed((y, _x, i) => (i >= at && i < at + points ? top : y));
    expect(places([resultOn(flat)])).toEqual(expected);
  });

  it('says that saturation is not checkable in averaged data without frames', () => {
    const averaged = good(1, { acquisition: { ...SINGLE_FRAME, accumulations: 3 } });
    const [one, ...others] = found([averaged]);
    expect(others).toEqual([]);
    expect(one).toMatchObject({
      code: 'saturation-not-checkable',
      severity: 'remark',
      pointer: '/results/0/spectrum/intensity',
      message: 'not checkable: 3 frames were averaged, and none is in the bundle',
    });
    expect(places([averaged], siteWith({ detectors: [] }))).toEqual([]);
  });

  it('holds a pass whose band is too small', () => {
    const dim = changed((y) => y / 25);
    expect(places([resultOn(dim)])).toEqual(['signal-weak /results/0/spectrum/intensity']);
    const [finding] = found([resultOn(dim)]);
    expect(finding?.numbers).toMatchObject({ limit: '500', limitSource: 'test protocol 7' });
    expect(Number(finding?.numbers?.found)).toBeLessThan(500);
  });

  it('holds a pass whose band stands too little above the noise', () => {
    const dim = changed((y) => y / 25);
    const [method] = LIMITS.methods;
    if (method === undefined) throw new Error('no method');
    const { heightMinCounts: _none, ...others } = method;
    const site = siteWith({ methods: [{ ...others, signalToNoiseMin: limit('1000') }] });
    expect(places([resultOn(dim)], site)).toEqual([
      'signal-to-noise /results/0/spectrum/intensity',
    ]);
    expect(places([resultOn(dim)], siteWith({ methods: [others] }))).toEqual([]);
  });

  it.each([1, 2, 3])('remarks a spike of %d points, and no band', (width) => {
    // Past the range of the method and its peak-free region, where no band lies.
    const spiked = changed((y, x) => (x >= 1970 && x < 1970 + 2 * width ? y + 4000 : y));
    const [one, ...others] = found([resultOn(spiked)]);
    expect(others).toEqual([]);
    expect(one).toMatchObject({ code: 'cosmic-spikes', severity: 'remark' });
    expect(one?.message).toMatch(/at 197\d\.0 cm-1$/);
  });

  it('takes a feature of five points for a band', () => {
    const wide = changed((y, x) => (x >= 1970 && x < 1980 ? y + 4000 : y));
    expect(places([resultOn(wide)])).toEqual([]);
  });

  it('remarks a background that swamps the band', () => {
    const swamped = changed((y, x) => y + 60_000 * Math.exp(-(((x - 1000) / 900) ** 2)));
    const site = siteWith({ detectors: [] });
    expect(places([resultOn(swamped)], site)).toEqual([
      'fluorescence-high /results/0/spectrum/intensity',
    ]);
  });

  it('remarks bands of a known packaging, and not those the material has itself', () => {
    const wrapped = changed(
      (y, x) => y + band(x, 1063, 1500) + band(x, 1130, 1500) + band(x, 1440, 1500),
    );
    const two = changed((y, x) => y + band(x, 1063, 1500) + band(x, 1130, 1500));
    expect(places([resultOn(two)])).toEqual([]);
    const [one, ...others] = found([resultOn(wrapped)]);
    expect(others).toEqual([]);
    expect(one).toMatchObject({
      code: 'packaging-bands',
      message: '3 bands of polyethylene, at 1063, 1130, 1440 cm-1',
      numbers: { limit: '3', limitSource: 'from memory' },
    });
    const own = [1236.8, 1323.9, 1168.5].map((shift) => dec(String(shift)));
    const same = { name: 'like it', source: 'test', bands: own, bandsMin: 3, reference: null };
    expect(places([good(1)], siteWith({ packaging: [same] }))).toEqual([]);
  });

  it('holds the trace of the packaging itself', () => {
    const site = siteWith({
      packaging: [
        {
          name: 'stand-in of naphthalene',
          source: 'test',
          bands: [],
          bandsMin: null,
          reference: {
            spectrum: { ...curve('naphthalene', 5, 0), sha256: sha256('n') },
            range: { from: dec('300'), to: dec('1800') },
            scoreMin: limit('0.8'),
          },
        },
      ],
    });
    expect(places([good(1)], site)).toEqual([]);
    expect(places([resultOn(curve('naphthalene', 2))], site)).toEqual([
      'packaging-match /results/0/spectrum/intensity',
    ]);
  });

  it('holds both of two containers with one trace, and neither when it is one container', () => {
    const copied = good(2, { spectrum: good(1).spectrum, score: good(1).score });
    expect(places([good(1), copied, good(3)])).toEqual([
      'spectrum-duplicate /results/0/spectrum',
      'spectrum-duplicate /results/1/spectrum',
    ]);
    const again = { ...copied, container: { scanned: ' C-1 ', entry: 'scanned' as const } };
    expect(places([good(1), again])).toEqual([]);
  });

  it.each<[string, BundleResult]>([
    ['an axis moved by 0.001', resultOn(moved(0.001), {}, 2)],
    ['an axis moved by five points', resultOn(moved(10), {}, 2)],
    ['values of another width', resultOn(rounded(), {}, 2)],
  ])('holds both of two containers with one trace, one of them with %s', (_, copied) => {
    expect(places([good(1), copied, good(3)])).toEqual(
      expect.arrayContaining([
        'spectrum-duplicate /results/0/spectrum',
        'spectrum-duplicate /results/1/spectrum',
      ]),
    );
    const all = codes([good(1), copied, good(3)]);
    expect(all.filter((code) => code.startsWith('spectrum-dup'))).toHaveLength(2);
    expect(all).not.toContain('noise-duplicate');
    expect(codes([good(1), { ...copied, container: good(1).container }])).not.toContain(
      'spectrum-duplicate',
    );
  });

  it('takes measurements of one material on axes that differ a little for what they are', () => {
    const others = [2, 3, 4].map((run) => resultOn(moved(run / 1000, run), {}, run));
    expect(places([good(1), ...others])).toEqual([]);
  });

  it.each([
    ['saturated', () => 65_535],
    ['dark', () => 0],
    ['saturated but for a few points', (_y: number, x: number) => (x < 212 ? x : 65_535)],
  ])('calls two %s spectra copies on one axis only', (_, flat) => {
    const on = (by: number, run: number) => {
      const { axis, intensity } = changed(flat);
      const spectrum = encodeSpectrum(
        axis.map((x) => x + by),
        intensity,
        'float64',
      );
      return good(run, { spectrum, decision: 'inconclusive', score: null });
    };
    expect(codes([on(0, 1), on(0.001, 2)])).not.toContain('spectrum-duplicate');
    expect(codes([on(0, 1), on(0, 2)])).toContain('spectrum-duplicate');
  });

  it.each([0.001, -0.001, 0.5, 1.9, -1.9])(
    'holds both of two containers whose noise is the same on an axis moved by %f',
    (by) => {
      const { axis, intensity } = moved(by);
      const altered = { axis, intensity: intensity.map((y) => y * 1.07 + 300) };
      expect(codes([good(1), resultOn(altered, {}, 2)])).toEqual([
        'noise-duplicate',
        'noise-duplicate',
      ]);
      const another = moved(by, 2).intensity.map((y) => y * 1.07 + 300);
      expect(codes([good(1), resultOn({ axis, intensity: another }, {}, 2)])).toEqual([]);
    },
  );

  it('holds both of two containers whose noise is the same, moved by one point', () => {
    const { axis, intensity } = changed((y) => y * 1.07);
    const along = intensity.map((_, i) => intensity[Math.max(0, i - 1)] as number);
    const result = resultOn({ axis, intensity: along }, {}, 2);
    expect(codes([good(1), result])).toEqual(['noise-duplicate', 'noise-duplicate']);
  });

  it('holds both of two containers whose noise is the same', () => {
    const altered = changed((y, x) => y * 1.07 + 300 + x / 50, 1);
    expect(places([good(1), resultOn(altered, {}, 2)])).toEqual([
      'noise-duplicate /results/0/spectrum',
      'noise-duplicate /results/1/spectrum',
    ]);
    expect(
      places([
        good(1),
        resultOn(
          changed((y, x) => y * 1.07 + x / 50, 2),
          {},
          2,
        ),
      ]),
    ).toEqual([]);
  });
});

describe('how one result was measured', () => {
  it('remarks a laser above what the material takes, with the caution', () => {
    const strong = good(1, { acquisition: { ...SINGLE_FRAME, laserPowerMw: dec('50.1') } });
    const [one, ...others] = found([strong]);
    expect(others).toEqual([]);
    expect(one).toMatchObject({
      code: 'laser-power',
      severity: 'remark',
      pointer: '/results/0/acquisition/laserPowerMw',
      numbers: { found: '50.1', limit: '50' },
    });
    expect(one?.advice).toMatch(/ignite .*follow the instrument/s);
    expect(places([good(1, { acquisition: { accumulations: 1 } })])).toEqual([
      'laser-power /results/0/acquisition',
    ]);
  });

  it.each([
    ['polyethylene liner', []],
    [' polyethylene  liner', []],
    ['amber glass', ['packaging-not-validated /results/0/presentation/between']],
    [' ', ['packaging-not-validated /results/0/presentation/between']],
    [undefined, ['packaging-not-validated /results/0/presentation']],
  ])('judges packaging "%s" by what the method was validated for', (between, expected) => {
    const presentation = {
      kind: 'through-packaging' as const,
      ...(between === undefined ? {} : { between }),
    };
    expect(places([good(1, { presentation })])).toEqual(expected);
    // Nothing lies between where nothing is named; what is named does, whatever the kind is called.
    const isNamed = between !== undefined && between.trim() !== '';
    const by = (kind: 'direct' | 'closed-chamber' | 'other') =>
      places([good(1, { presentation: { ...presentation, kind } })]);
    for (const kind of ['direct', 'closed-chamber', 'other'] as const) {
      expect(by(kind)).toEqual(isNamed ? expected : []);
    }
  });

  it('remarks lamp lines and a climbing background, in a closed chamber only', () => {
    const closed = { presentation: { kind: 'closed-chamber' as const } };
    // 1e7/785 - 1e7/nm: 811.5 at 416.0, 842.5 at 869.4, 912.3 at 1777.5 cm-1.
    const lamps = changed(
      (y, x) => y + band(x, 416, 2000, 4) + band(x, 869.4, 5000, 4) + band(x, 1777.5, 2000, 4),
    );
    const slope = changed((y, x) => y + (x - 200) * 25);
    const site = siteWith({
      methods: LIMITS.methods.map(({ backgroundToHeightMax: _, ...m }) => m),
    });
    expect(places([good(1, closed)], site)).toEqual([]);
    expect(places([resultOn(lamps, closed)], site)).toEqual([
      'ambient-light /results/0/spectrum/intensity',
    ]);
    expect(places([resultOn(slope, closed)], site)).toEqual([
      'ambient-light /results/0/spectrum/intensity',
    ]);
    expect(places([resultOn(lamps), resultOn(slope, {}, 2)], site)).toEqual([]);
  });

  it('remarks an exposure at its maximum with a weak signal', () => {
    const acquisition = { ...SINGLE_FRAME, integrationTimeMs: dec('5000') };
    const shorter = { ...SINGLE_FRAME, integrationTimeMs: dec('4999') };
    expect(places([good(1, { acquisition })])).toEqual([
      'exposure-at-maximum /results/0/acquisition/integrationTimeMs',
    ]);
    expect(places([good(1, { acquisition: shorter })])).toEqual([]);
    const [method] = LIMITS.methods;
    if (method === undefined) throw new Error('no method');
    const enough = { ...method, heightAtExposureMaxCounts: limit('600') };
    expect(places([good(1, { acquisition })], siteWith({ methods: [enough] }))).toEqual([]);
  });

  it('holds both results of one cover in two materials', () => {
    const other = { presentation: { kind: 'immersion-probe' as const, probeCover: 'K-1' } };
    expect(places([immersed(1, 'K-1'), naphthalene(2, other)])).toEqual([
      'probe-cover-shared /results/0/presentation/probeCover',
      'probe-cover-shared /results/1/presentation/probeCover',
    ]);
    expect(places([immersed(1, 'K-1'), immersed(2, 'K-1')])).toEqual([]);
    expect(places([immersed(1, 'K-1'), immersed(2, 'K-2')])).toEqual([]);
  });

  it('holds both results of one cover, whatever the presentation of one is called', () => {
    const other = { presentation: { kind: 'direct' as const, probeCover: ' K-1 ' } };
    expect(places([immersed(1, 'K-1'), naphthalene(2, other)])).toEqual([
      'probe-cover-shared /results/0/presentation/probeCover',
      'probe-cover-shared /results/1/presentation/probeCover',
    ]);
  });

  it.each(['none', 'N/A', '-', '0'])('takes %j under another presentation for no cover', (word) => {
    const direct = { presentation: { kind: 'direct' as const, probeCover: word } };
    expect(places([good(1, direct), naphthalene(2, direct)])).toEqual([]);
  });

  it('remarks an immersion probe without the number of a cover, and no other presentation', () => {
    const bare = good(1, { presentation: { kind: 'immersion-probe' } });
    const [one, ...more] = found([bare]);
    expect(more).toEqual([]);
    expect(one).toMatchObject({
      code: 'probe-cover-missing',
      severity: 'remark',
      pointer: '/results/0/presentation',
    });
    expect(places([immersed(1, ' ')])).toEqual([
      'probe-cover-missing /results/0/presentation/probeCover',
    ]);
    expect(
      places([immersed(1, 'K-1'), good(2), good(3, { presentation: { kind: 'other' } })]),
    ).toEqual([]);
  });
});

describe('the pace of a bundle', () => {
  it('remarks runs that follow faster than the site allows', () => {
    const at = (seconds: string) => ({ measuredAt: `2026-07-01T12:10:${seconds}+01:00` });
    expect(places([good(1, at('00')), good(2, at('05'))])).toEqual([]);
    expect(places([good(1, at('00')), good(2, at('04.9'))])).toEqual([
      'cadence-impossible /results/1/measuredAt',
    ]);
  });
});
