import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  addDecimals,
  compareDecimals,
  type Decimal,
  distanceOfDecimals,
  isDecimal,
  multiplyDecimal,
  roundDecimal,
} from '../../src/formats/decimal.js';

const dec = (text: string) => text as Decimal;

describe('rounding before comparing', () => {
  // USP General Notices 7.20, published examples (quoted from memory in the reference notes).
  it.each([
    ['97.96', 1, '98.0'],
    ['97.92', 1, '97.9'],
    ['97.95', 1, '98.0'],
    ['101.55', 1, '101.6'],
    ['101.46', 1, '101.5'],
    ['101.45', 1, '101.5'],
    ['0.025', 2, '0.03'],
    ['0.015', 2, '0.02'],
    ['0.027', 2, '0.03'],
    ['3.5', 0, '4'],
    ['3.4', 0, '3'],
    ['2.5', 0, '3'],
  ])('%s to %d places is %s (USP General Notices 7.20)', (value, places, rounded) => {
    expect(roundDecimal(dec(value), places, 'half-up')).toBe(rounded);
  });

  // ISO 80000-1 Annex B (from memory): rule A half to even, rule B half away from zero; once, never in steps.
  it.each([
    ['12.223', '12.2', '12.2'],
    ['12.251', '12.3', '12.3'],
    ['12.275', '12.3', '12.3'],
    ['12.25', '12.2', '12.3'],
    ['12.35', '12.4', '12.4'],
  ])('%s to 0.1 is %s by rule A and %s by rule B (ISO 80000-1 Annex B)', (value, a, b) => {
    expect(roundDecimal(dec(value), 1, 'half-even')).toBe(a);
    expect(roundDecimal(dec(value), 1, 'half-up')).toBe(b);
  });

  // ASTM E29 rounding method (from memory) beside half up; computed with exact decimals.
  it.each([
    ['97.95', 1, '98.0', '98.0'],
    ['101.45', 1, '101.5', '101.4'],
    ['0.025', 2, '0.03', '0.02'],
    ['0.015', 2, '0.02', '0.02'],
    ['2.5', 0, '3', '2'],
    ['3.5', 0, '4', '4'],
    ['1.55', 1, '1.6', '1.6'],
    ['-2.5', 0, '-3', '-2'],
    ['1.005', 2, '1.01', '1.00'],
    ['-0.04', 1, '0.0', '0.0'],
    ['7', 2, '7.00', '7.00'],
  ])('%s to %d places is %s half up and %s half to even', (value, places, up, even) => {
    expect(roundDecimal(dec(value), places, 'half-up')).toBe(up);
    expect(roundDecimal(dec(value), places, 'half-even')).toBe(even);
  });

  it('differs from what binary doubles give, which is why decimals travel as text', () => {
    expect((101.55).toFixed(1)).toBe('101.5');
    expect(roundDecimal(dec('101.55'), 1, 'half-up')).toBe('101.6');
  });
});

describe('decimals', () => {
  it.each(['0', '-0', '0.5', '10.00', '1'.repeat(40)])('%s is one', (text) => {
    expect(isDecimal(text)).toBe(true);
  });

  it.each(['', '.5', '5.', '01', '+1', '1e3', '1,5', ' 1', '--1', 'NaN', '1'.repeat(43)])(
    '%j is none',
    (text) => {
      expect(isDecimal(text)).toBe(false);
    },
  );

  it('are compared by value and not by text', () => {
    expect(compareDecimals(dec('1.50'), dec('1.5'))).toBe(0);
    expect(compareDecimals(dec('0.8999'), dec('0.90'))).toBeLessThan(0);
    expect(compareDecimals(dec('-1'), dec('-2'))).toBeGreaterThan(0);
    expect(compareDecimals(dec('10'), dec('9'))).toBeGreaterThan(0);
    expect(compareDecimals(dec('-0'), dec('0.00'))).toBe(0);
  });

  it('are added, multiplied and set apart exactly', () => {
    expect(addDecimals(dec('0.1'), dec('0.20'))).toBe('0.30');
    expect(addDecimals(dec('-0.5'), dec('0.25'))).toBe('-0.25');
    expect(multiplyDecimal(dec('0.1'), 3)).toBe('0.3');
    expect(distanceOfDecimals(dec('0.98'), dec('0.960000'))).toBe('0.020000');
    expect(distanceOfDecimals(dec('-1'), dec('1'))).toBe('2');
  });

  it('agree with whole numbers of hundredths', () => {
    const hundredths = fc.integer({ min: -1_000_000, max: 1_000_000 });
    const text = (n: number) =>
      dec(
        `${n < 0 ? '-' : ''}${Math.floor(Math.abs(n) / 100)}.${String(Math.abs(n) % 100).padStart(2, '0')}`,
      );
    fc.assert(
      fc.property(hundredths, hundredths, (a, b) => {
        expect(Math.sign(compareDecimals(text(a), text(b)))).toBe(Math.sign(a - b));
        expect(compareDecimals(addDecimals(text(a), text(b)), text(a + b))).toBe(0);
        expect(compareDecimals(distanceOfDecimals(text(a), text(b)), text(Math.abs(a - b)))).toBe(
          0,
        );
      }),
    );
  });
});
