import { describe, expect, it } from 'vitest';
import { encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import {
  curve,
  dec,
  examineParts,
  findingsOf,
  goodParts,
  goodResult,
  methodOf,
  placesOf,
  SITE,
} from './fixture.js';
import {
  type Curve,
  changed,
  LIMITS,
  limit,
  resultOn,
  SIGNAL_SITE,
  siteWith,
} from './signal-fixture.js';

const upTo = ({ axis, intensity }: Curve, end: number): Curve => {
  const count = axis.filter((x) => x <= end).length;
  return { axis: axis.subarray(0, count), intensity: intensity.subarray(0, count) };
};
const found = (measured: readonly Curve[], site: SiteFolder = SIGNAL_SITE) =>
  findingsOf(examineParts(goodParts(measured.map((one, i) => resultOn(one, {}, i + 1))), site));
const places = (measured: readonly Curve[], site?: SiteFolder) => placesOf(found(measured, site));

const [OWN] = LIMITS.methods;
if (OWN === undefined) throw new Error('expected limits of a method');
const { heightMinCounts: _h, heightAtExposureMaxCounts: _e, signalToNoiseMin, ...others } = OWN;
const { backgroundToHeightMax: _b, ...noLimits } = others;

describe('a region that a limit is set for', () => {
  it('holds the copy of a spectrum that ends before its noise region does', () => {
    const drum = curve('paracetamol', 1);
    expect(places([drum, upTo(drum, 1940)])).toEqual(['signal-region /results/1/spectrum/axis']);
    expect(places([drum, upTo(drum, 1950)])).toContain('noise-duplicate /results/1/spectrum');
  });

  it('holds a noisy spectrum that is cut there, and says which limit is not applied', () => {
    const noisy = changed((y, _x, i) => y + 600 * ((i % 3) - 1));
    const cut = found([upTo(noisy, 1940)]).find(({ code }) => code === 'signal-region');
    expect(cut?.numbers).toEqual({
      region: 'noise',
      from: '1750',
      to: '1950',
      limit: '20',
      limitSource: 'test protocol 7',
    });
    expect(cut?.message).toBe(
      'expected at least 20 points throughout 1750 to 1950 cm-1, the region "noise" that signalToNoiseMin is measured in',
    );
  });

  it('is not measured with a hole in it, or with few points', () => {
    const { axis, intensity } = curve('paracetamol', 1);
    const isKept = (_: number, i: number) =>
      !((axis[i] as number) > 1800 && (axis[i] as number) < 1900);
    const gone = { axis: axis.filter(isKept), intensity: intensity.filter(isKept) };
    expect(places([gone])).toContain('signal-region /results/0/spectrum/axis');
    const narrow = { from: dec('1750'), to: dec('1786') };
    const few = (noise: typeof narrow) =>
      places([curve('paracetamol', 1)], siteWith({ methods: [{ ...OWN, noise }] }));
    expect(few(narrow)).toEqual(['signal-region /results/0/spectrum/axis']);
    expect(few({ ...narrow, to: dec('1796') })).toEqual([]);
  });

  it('is that of the band as well', () => {
    const peak = { from: dec('250'), to: dec('1950') };
    const { noise: _n, signalToNoiseMin: _s, ...rest } = OWN;
    const site = siteWith({ methods: [{ ...rest, peak }] });
    const [finding, ...more] = found([upTo(curve('paracetamol', 1), 1900)], site);
    expect(finding?.numbers).toMatchObject({ region: 'peak', to: '1950', limit: '500' });
    expect(more).toEqual([]);
  });

  it('may be left out where nothing is measured in it', () => {
    const cut = upTo(curve('paracetamol', 1), 1940);
    const { noiseCorrelationMax: _, ...rest } = siteWith({ methods: [noLimits] }).signal ?? LIMITS;
    expect(places([cut], { ...SITE, signal: rest })).toEqual([]);
    expect(places([cut], siteWith({ methods: [noLimits] }))).toEqual([
      'signal-region /results/0/spectrum/axis',
    ]);
    expect(signalToNoiseMin).toBeDefined();
  });

  it('is that of a packaging whose curve is compared', () => {
    const reference = {
      spectrum: { ...curve('naphthalene', 3, 0), sha256: SITE.digest },
      range: { from: dec('300'), to: dec('1980') },
      scoreMin: limit('0.8'),
    };
    const bag = { name: 'bag', source: 'test', bands: [], bandsMin: null, reference };
    const site = siteWith({ packaging: [bag] });
    expect(places([curve('paracetamol', 1)], site)).toEqual([]);
    expect(places([upTo(curve('paracetamol', 1), 1970)], site)).toEqual([
      'signal-region /results/0/spectrum/axis',
    ]);
  });
});

describe('a spectrum that nobody measured', () => {
  const reference = methodOf('ID-M-1').reference;
  if (reference === null) throw new Error('expected a reference');

  it('is a reference of the registry, whatever its axis and width', () => {
    for (const width of ['float64', 'float32'] as const) {
      const axis = reference.axis.map((x) => x + 0.25);
      const spectrum = encodeSpectrum(axis, reference.intensity, width);
      const result = goodResult(1, { spectrum });
      const codes = placesOf(findingsOf(examineParts(goodParts([result]))));
      expect(codes).toContain('spectrum-is-reference /results/0/spectrum/intensity');
    }
  });

  it('is that of another material or of the reference set too, and a measurement is none', () => {
    const other = methodOf('ID-M-2').reference;
    if (other === null) throw new Error('expected a reference');
    const spectrum = encodeSpectrum(other.axis, other.intensity, 'float64');
    const sent = goodParts([goodResult(1, { spectrum })]);
    expect(placesOf(findingsOf(examineParts(sent)))).toContain(
      'spectrum-is-reference /results/0/spectrum/intensity',
    );
    const own = { ...curve('paracetamol', 1), sha256: SITE.digest };
    const set = [
      { material: 'M-1', file: 'references/own.csv', models: ['another'], spectrum: own },
    ];
    expect(placesOf(findingsOf(examineParts(goodParts(), { ...SITE, references: set })))).toEqual([
      'spectrum-is-reference /results/0/spectrum/intensity',
    ]);
    expect(placesOf(findingsOf(examineParts(goodParts())))).toEqual([]);
  });

  it('has no noise at all, so that signal to noise says nothing', () => {
    const still = changed((y, x) => (x >= 1700 ? 900 : y));
    const finding = found([still]).find(({ code }) => code === 'signal-to-noise');
    expect(finding?.message).toBe(
      'the region of the noise holds none at all, expected a measured one',
    );
    expect(places([changed((y, x) => (x >= 1700 ? 900 + x : y))])).toContain(
      'signal-to-noise /results/0/spectrum/intensity',
    );
  });
});
