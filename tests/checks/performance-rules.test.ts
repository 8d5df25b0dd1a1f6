import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import { judgePerformance, type PerformanceJudgement } from '../../src/checks/judge-performance.js';
import type { PerformanceCheck } from '../../src/intake/result-bundle.js';
import { synthesiseSpectrum } from '../../src/simulation/synthesise-spectrum.js';
import type { PerformanceSettings } from '../../src/site/performance-settings.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import { at, dec, examineParts, goodCheck, goodParts, goodResult, NOW, SITE } from './fixture.js';

const settings = SITE.performance as PerformanceSettings;
const [set] = settings.sets;
const [standard] = settings.standards;
if (set === undefined || standard === undefined) throw new Error('the fixture has no tolerances');

function codesOf(over: Partial<PerformanceCheck>, site: SiteFolder = SITE): string[] {
  const parts = goodParts([goodResult(1)], { performanceChecks: [goodCheck(2, over)] });
  return examineParts(parts, site)
    .bundleFindings.filter(({ code }) => code.startsWith('performance-'))
    .map(({ code, pointer }) => `${code} ${pointer}`);
}

function judged(over: Partial<PerformanceCheck>, site: SiteFolder = SITE): PerformanceJudgement {
  const parts = goodParts([goodResult(1)], { performanceChecks: [goodCheck(2, over)] });
  const judgement = examineParts(parts, site).performanceChecks[0]?.judgement;
  if (!judgement) throw new Error('not judged');
  return judgement;
}

function failure(over: Partial<PerformanceCheck>): string {
  const parts = goodParts([goodResult(1)], { performanceChecks: [goodCheck(2, over)] });
  const found = examineParts(parts).bundleFindings;
  return found.find(({ code }) => code === 'performance-check-failed')?.message ?? '';
}

function observing(observed: string, outcome: 'pass' | 'fail' = 'pass'): Partial<PerformanceCheck> {
  return { outcome, shifts: [{ expected: dec('1001.4'), observed: dec(observed) }] };
}

function sited(changes: Partial<PerformanceSettings>): SiteFolder {
  return { ...SITE, performance: { ...settings, ...changes } };
}

function spectrum(axisError: number): PerformanceCheck['spectrum'] {
  const { axis, intensity } = synthesiseSpectrum({
    material: 'polystyrene',
    axisFrom: 200,
    axisTo: 2000,
    step: 2,
    noise: 15,
    baseline: 3000,
    seed: 5,
    axisError,
  });
  return encodeSpectrum(axis, intensity, 'float32');
}

const CHECK = '/performanceChecks/0';

describe('the limits of a tolerance', () => {
  // Source: the worked example of spectra.md, 1001.4 ± 2.5.
  test.each([
    ['1003.9', 'pass'],
    ['998.9', 'pass'],
    ['1003.90', 'pass'],
    ['1003.91', 'fail'],
    ['998.89', 'fail'],
    ['1003.900000000000000000000000000001', 'fail'],
  ] as const)('are inclusive and exact on the digits: %s is a %s', (observed, verdict) => {
    expect(judged(observing(observed)).verdict).toBe(verdict);
  });

  test('agree with whole-number arithmetic for every value of four digits around it', () => {
    fc.assert(
      fc.property(fc.integer({ min: 99_000, max: 101_300 }), (hundredths) => {
        const observed = `${Math.floor(hundredths / 100)}.${String(hundredths % 100).padStart(2, '0')}`;
        const isWithin = Math.abs(hundredths - 100_140) <= 250;
        expect(judged(observing(observed)).verdict).toBe(isWithin ? 'pass' : 'fail');
      }),
      { numRuns: 60 },
    );
  });
});

describe('a check is judged by its own numbers', () => {
  test('one that is within its limits is found nothing of', () => {
    expect(codesOf({})).toEqual([]);
    expect(judged({})).toMatchObject({
      verdict: 'pass',
      by: { set: 'handheld', source: 'Invented procedure, 1' },
      peaks: [{ expected: '1001.4', observed: '1001.6', distance: '0.2', tolerance: '2.5' }],
    });
  });

  test('a reported pass out of tolerance is a fail', () => {
    expect(codesOf(observing('1004.0'))).toEqual([
      `performance-out-of-tolerance ${CHECK}/shifts/0/observed`,
      `performance-outcome-disagrees ${CHECK}/outcome`,
    ]);
  });

  test('a reported fail is one finding at its outcome, and stays a fail within tolerance', () => {
    for (const observed of ['1001.4', '1004.0', '1002.9', '999.4']) {
      expect(codesOf(observing(observed, 'fail'))).toEqual([
        `performance-check-failed ${CHECK}/outcome`,
      ]);
      expect(judged(observing(observed, 'fail')).verdict).toBe('fail');
    }
    expect(codesOf({ outcome: 'fail', shifts: [] })).toEqual([
      `performance-check-failed ${CHECK}/outcome`,
    ]);
  });

  test('a reported fail says what its numbers show', () => {
    expect(failure(observing('1004.0', 'fail'))).toContain(
      'observed 1004.0, expected 1001.4: 2.6 cm-1 apart, tolerance 2.5',
    );
    expect(failure(observing('1001.4', 'fail'))).toContain('within tolerance handheld');
    expect(failure({ standard: 'naphthalene', outcome: 'fail' })).toMatch(/: fail$/);
  });

  test('drift is remarked before it fails, and at the action limit otherwise', () => {
    expect(codesOf(observing('1002.8'))).toEqual([]);
    expect(codesOf(observing('1002.9'))).toEqual([
      `performance-warning ${CHECK}/shifts/0/observed`,
    ]);
    expect(codesOf(observing('999.4'))).toEqual([`performance-action ${CHECK}/shifts/0/observed`]);
    expect(judged(observing('999.4')).verdict).toBe('pass');
  });

  test('a band that is asked for and not reported is a fail, one reported twice is nobody’s', () => {
    expect(codesOf({ shifts: [] })).toEqual([
      `performance-peak-missing ${CHECK}/shifts`,
      `performance-outcome-disagrees ${CHECK}/outcome`,
    ]);
    const twice = [...goodCheck(2).shifts, { expected: dec('1001.40'), observed: dec('1001.4') }];
    expect(codesOf({ shifts: twice })).toEqual([
      `performance-peak-double ${CHECK}/shifts/1/expected`,
    ]);
    expect(judged({ shifts: twice }).verdict).toBe('void');
  });

  test('a band that nobody asked for is remarked and not judged', () => {
    const more = [...goodCheck(2).shifts, { expected: dec('620.9'), observed: dec('900') }];
    expect(codesOf({ shifts: more })).toEqual([
      `performance-peak-unknown ${CHECK}/shifts/1/expected`,
    ]);
    expect(judged({ shifts: more }).verdict).toBe('pass');
  });
});

describe('what cannot be judged is refused, not guessed', () => {
  test.each([
    ['a site without tolerances', { ...SITE, performance: null }, {}, 'not-configured', ''],
    [
      'an instrument that no set names',
      sited({ sets: [{ ...set, instruments: ['I-2'] }] }),
      {},
      'not-configured',
      '',
    ],
    ['a set that begins later', sited({ sets: [{ ...set, from: NOW }] }), {}, 'not-configured', ''],
    ['another standard', SITE, { standard: 'naphthalene' }, 'standard-unknown', '/standard'],
    [
      'an expired certificate',
      sited({ standards: [{ ...standard, expires: at('2026-07-01T11:05:00Z') }] }),
      {},
      'certificate-expired',
      '/standard',
    ],
    ['an impossible time', SITE, { checkedAt: '2026-02-30' }, 'time-unreadable', '/checkedAt'],
  ] as const)('%s', (_what, site, over, code, pointer) => {
    expect(codesOf(over, site)).toEqual([`performance-${code} ${CHECK}${pointer}`]);
    expect(judged(over, site).verdict).toBe('void');
    expect(judged({ ...over, outcome: 'fail' }, site).verdict).toBe('fail');
  });

  test('a certificate counts to the instant of its expiry', () => {
    const site = sited({ standards: [{ ...standard, expires: at('2026-07-01T11:05:01Z') }] });
    expect(judged({}, site).verdict).toBe('pass');
  });

  test('of two sets the later one judges from its beginning on', () => {
    const strict = {
      ...set,
      id: 'strict',
      from: at('2026-07-01T11:05:00Z'),
      standards: set.standards.map((s) => ({
        ...s,
        peaks: s.peaks.map((p) => ({ ...p, tolerance: dec('0.1') })),
      })),
    };
    const site = sited({ sets: [strict, set] });
    expect(judged({}, site).verdict).toBe('fail');
    expect(judged({ checkedAt: '2026-07-01T12:04:59+01:00' }, site).verdict).toBe('pass');
  });
});

describe('the spectrum of a check', () => {
  test('bears out what is reported from it', () => {
    const over = { ...observing('1001.4'), spectrum: spectrum(0) };
    expect(codesOf(over)).toEqual([]);
    expect(Math.abs(Number(judged(over).peaks[0]?.fitted) - 1001.4)).toBeLessThan(0.3);
  });

  test('shows that a reported position is not its own: the check failed', () => {
    const over = { ...observing('1001.4'), spectrum: spectrum(3) };
    expect(codesOf(over)).toEqual([
      `performance-spectrum-disagrees ${CHECK}/shifts/0/observed`,
      `performance-outcome-disagrees ${CHECK}/outcome`,
    ]);
    expect(judged(over).verdict).toBe('fail');
  });

  test('shows no band where one is reported', () => {
    const over = { ...observing('1001.4'), spectrum: spectrum(30) };
    expect(judged(over).found[0]?.message).toContain('shows no band there');
  });

  test('with values that are no numbers is no spectrum, and the check brackets nothing', () => {
    const axis = Float64Array.from({ length: 901 }, (_, i) => 200 + 2 * i);
    const broken = encodeSpectrum(
      axis,
      axis.map((x) => (x === 1000 ? Number.NaN : x)),
      'float64',
    );
    expect(codesOf({ spectrum: broken })).toEqual([
      `performance-spectrum-unreadable ${CHECK}/spectrum/intensity`,
    ]);
    expect(judged({ spectrum: broken }).verdict).toBe('void');
  });
});

test('nothing that is reported makes a pass of a failed check, and nothing throws', () => {
  const decimals = fc.oneof(
    fc.constantFrom('1001.4', '620.9', '0', '-1', '99999999999999999999', '1001.40', '1003.91'),
    fc.integer({ min: 0, max: 400_000 }).map((n) => `${Math.floor(n / 100)}.${n % 100}`),
  );
  fc.assert(
    fc.property(
      fc.array(fc.record({ expected: decimals, observed: decimals }), { maxLength: 6 }),
      fc.constantFrom('pass' as const, 'fail' as const),
      fc.constantFrom('polystyrene', 'sulfur'),
      (shifts, outcome, name) => {
        const check = {
          ...goodCheck(2),
          outcome,
          standard: name,
          shifts: shifts.map((s) => ({ expected: dec(s.expected), observed: dec(s.observed) })),
        };
        const { verdict } = judgePerformance(check, NOW, 'I-1', settings, { kind: 'none' });
        if (outcome === 'fail') expect(verdict).toBe('fail');
        if (verdict === 'pass') {
          const own = shifts.filter((s) => Number(s.expected) === 1001.4);
          expect(own).toHaveLength(1);
          expect(Math.abs(Number(own[0]?.observed) - 1001.4)).toBeLessThanOrEqual(2.5 + 1e-9);
        }
      },
    ),
  );
});
