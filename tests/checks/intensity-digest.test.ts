import { createHash } from 'node:crypto';
import { describe, expect, it } from 'vitest';
import { encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import { intensityDigest, isSameSpectrum } from '../../src/checks/intensity-digest.js';
import { readSpectrum } from '../../src/checks/read-spectrum.js';
import type { Spectrum } from '../../src/intake/result-bundle.js';
import { seededRandom } from '../../src/simulation/seeded-random.js';
import { curve, dec } from './fixture.js';

/** What a copied spectrum is known by, whatever its axis says and however it is written. All simulated. */

const { axis, intensity } = curve('paracetamol', 1);
const rounded = Float32Array.from(intensity);
const written = encodeSpectrum(axis, intensity, 'float64');
const noisy = (level: number) => {
  const random = seededRandom(3);
  return Float64Array.from(intensity, () => level + random());
};

function readingOf(spectrum: Spectrum) {
  const reading = readSpectrum(spectrum, 100_000);
  if (reading.kind !== 'read') throw new Error(`expected a spectrum, found ${reading.kind}`);
  return reading;
}

describe('the digest of the intensities', () => {
  it('is SHA-256 over them as little-endian float32', () => {
    const bytes = Buffer.alloc(4 * intensity.length);
    for (const [i, value] of intensity.entries()) bytes.writeFloatLE(value, 4 * i);
    expect(intensityDigest(intensity)).toBe(createHash('sha256').update(bytes).digest('hex'));
  });

  it.each<[string, Spectrum]>([
    [
      'an axis moved by 0.001',
      encodeSpectrum(
        axis.map((x) => x + 0.001),
        intensity,
        'float64',
      ),
    ],
    [
      'an axis stretched',
      encodeSpectrum(
        axis.map((x) => x * 1.002),
        intensity,
        'float64',
      ),
    ],
    [
      'an axis of start and step',
      { ...written, axis: { encoding: 'even', start: dec('200.1'), step: dec('2') } },
    ],
    ['an axis of float32', { ...written, axis: encodeSpectrum(axis, axis, 'float32').axis }],
    ['plain numbers', { ...written, intensity: { encoding: 'numbers', values: [...intensity] } }],
    ['another width', encodeSpectrum(axis, intensity, 'float32')],
    ['the rounded values at full width', encodeSpectrum(axis, rounded, 'float64')],
    ['another unit', { ...written, intensityUnit: 'arbitrary' }],
  ])('is that of the original for a copy with %s', (_, copy) => {
    expect(readingOf(copy).intensitySha256).toBe(readingOf(written).intensitySha256);
    expect(intensityDigest(intensity)).toBe(readingOf(written).intensitySha256);
  });

  it('takes 0 and -0 for one number', () => {
    const zero = intensity.map((y, i) => (i % 10 === 0 ? 0 : y));
    const minus = intensity.map((y, i) => (i % 10 === 0 ? -0 : y));
    expect(intensityDigest(minus)).toBe(intensityDigest(zero));
  });

  it('is another one for another measurement, one changed point, and one point less', () => {
    const digests = [
      intensity,
      curve('paracetamol', 2).intensity,
      intensity.map((y, i) => (i === 400 ? y + 1 : y)),
      intensity.subarray(1),
    ].map(intensityDigest);
    expect(digests).not.toContain(null);
    expect(new Set(digests).size).toBe(digests.length);
  });

  it.each<[string, Float64Array]>([
    ['a saturated detector', intensity.map(() => 65_535)],
    ['a dark one', intensity.map(() => 0)],
    ['a straight line', intensity.map((_, i) => 100 + 3 * i)],
    [
      'a detector saturated but for six points',
      intensity.map((y, i) => (i > 0 && i < 37 && i % 6 === 0 ? y : 65_535)),
    ],
    ['nineteen points that bend', intensity.slice(0, 21)],
    ['noise below what float32 holds', noisy(1e12)],
    ['values above what float32 holds', intensity.map((y) => y * 1e40)],
    ['a value that is none', intensity.map((y, i) => (i === 5 ? Number.NaN : y))],
  ])('is none for %s', (_, values) => {
    expect(intensityDigest(values)).toBeNull();
  });

  it('is there from twenty points on that bend', () => {
    expect(intensityDigest(intensity.slice(0, 22))).not.toBeNull();
  });
});

describe('two results', () => {
  const of = (sha256: string | null, intensitySha256: string | null) => ({
    sha256,
    intensitySha256,
  });

  it.each([
    [of('a', 'i'), of('b', 'i'), true],
    [of('a', null), of('a', 'i'), true],
    [of('a', null), of('a', null), true],
    [of('a', null), of('b', null), false],
    [of('a', 'i'), of('b', 'j'), false],
    [of(null, null), of(null, null), false],
  ])('%j and %j have the same spectrum: %s', (a, b, expected) => {
    expect(isSameSpectrum(a, b)).toBe(expected);
    expect(isSameSpectrum(b, a)).toBe(expected);
  });
});
