import { compareDecimals, type Decimal, isDecimal } from '../formats/decimal.js';
import type { IdentityTests, PeakTest, Treatment } from './method-treatment.js';
import type { DocumentPath, RuleFault } from './site-fault.js';

/** Where a fault lies below the method, what is wrong, what to do. */
type NumberFault = readonly [DocumentPath, string, string];

interface Declared {
  readonly treatment?: Treatment;
  readonly asks?: IdentityTests;
  readonly range: { readonly from: Decimal; readonly to: Decimal };
  readonly gridStep: Decimal;
  readonly algorithm: string;
}

/** Numbers of a method's treatment and further tests that no schema can say. */
export function treatmentFaults(
  method: Declared,
  at: (...rest: DocumentPath) => DocumentPath,
): RuleFault[] {
  const found = [
    ...(method.treatment ? ofTreatment(method.treatment) : []),
    ...(method.treatment ? ofCost(method.treatment, method) : []),
    ...(method.asks ? ofAsks(method.asks, method) : []),
  ];
  return found.map(([path, message, remedy]) => ({
    path: at(...path),
    rule: 'method-numbers',
    message,
    remedy,
  }));
}

function ofTreatment({ shiftAllowance, baseline }: Treatment): NumberFault[] {
  const faults: NumberFault[] = [];
  const where = (key: string): DocumentPath => ['treatment', 'baseline', key];
  if (outside(shiftAllowance, '0', '3')) {
    faults.push([
      ['treatment', 'shiftAllowance'],
      `shiftAllowance is ${shiftAllowance} cm-1, expected 0 to 3`,
      'A larger shift lets one substance pass for another: correct the axis of the instrument instead.',
    ]);
  }
  if (baseline?.kind === 'asymmetric-least-squares') {
    if (outside(baseline.smoothness, '1', '1000000000')) {
      const message = `smoothness is ${baseline.smoothness}, expected 1 to 1000000000`;
      faults.push([where('smoothness'), message, 'Correct it.']);
    }
    if (outside(baseline.asymmetry, '0.0001', '0.5')) {
      const message = `asymmetry is ${baseline.asymmetry}, expected 0.0001 to 0.5`;
      faults.push([where('asymmetry'), message, 'Correct it.']);
    }
  }
  return faults;
}

/** Steps of computing that one spectrum may take, about a nanosecond each: a bundle may hold thousands. */
const WORK_MAX = 20_000_000;

/** A fine grid, many shifts and a long baseline correction multiply. */
function ofCost(treatment: Treatment, { range, gridStep }: Declared): NumberFault[] {
  const { baseline, shiftAllowance } = treatment;
  const step = Number(gridStep);
  const points = (Number(range.to) - Number(range.from)) / step;
  const shifts = 2 * Math.floor(Number(shiftAllowance) / step) + 1;
  const work = points * shifts * (100 + workOf(baseline));
  if (!(work > WORK_MAX)) return [];
  const message = `${Math.round(points)} grid steps, ${shifts} shifts and the baseline ask for ${Math.round(work / 1e6)} million steps of computing a spectrum, at most ${WORK_MAX / 1e6} million`;
  const remedy = 'Choose a wider gridStep, a smaller shiftAllowance or fewer iterations.';
  return [[['treatment'], message, remedy]];
}

/** A point. */
function workOf(baseline: Treatment['baseline']): number {
  switch (baseline?.kind) {
    case 'asymmetric-least-squares':
      return 40 * baseline.iterations;
    case 'clipped-polynomial':
      return 4 * (baseline.order + 1) * baseline.iterations;
    case undefined:
      return 0;
  }
}

function ofAsks({ peaks, residual, margin }: IdentityTests, method: Declared): NumberFault[] {
  const faults: NumberFault[] = [];
  if (method.algorithm === 'undisclosed') {
    const message = 'the algorithm is undisclosed, so nothing else can be asked of its results';
    faults.push([['asks'], message, 'Leave out asks, or name the algorithm.']);
  }
  if (margin !== null && (outside(margin, '0', '1') || Number(margin) === 0)) {
    const message = `margin is ${margin}, expected above 0 and at most 1`;
    faults.push([['asks', 'margin'], message, 'Correct it.']);
  }
  if (residual !== null && (outside(residual.limit, '0', '1000000') || !Number(residual.limit))) {
    const message = `limit is ${residual.limit}, expected above 0 and at most 1000000`;
    faults.push([['asks', 'residual', 'limit'], message, 'Correct it.']);
  }
  if (peaks !== null) faults.push(...ofPeaks(peaks, method.range));
  return faults;
}

function ofPeaks(peaks: PeakTest, range: Declared['range']): NumberFault[] {
  const faults: NumberFault[] = [];
  const inRange = (path: DocumentPath, shift: string) => {
    if (!outside(shift, range.from, range.to)) return;
    const message = `the band at ${shift} cm-1 lies outside ${range.from} to ${range.to} cm-1`;
    faults.push([
      ['asks', 'peaks', ...path],
      message,
      'Name bands inside the range of the method.',
    ]);
  };
  if (outside(peaks.tolerance, '0', '20') || Number(peaks.tolerance) === 0) {
    const message = `tolerance is ${peaks.tolerance} cm-1, expected above 0 and at most 20`;
    faults.push([['asks', 'peaks', 'tolerance'], message, 'Correct it.']);
  }
  inRange(['relativeTo'], peaks.relativeTo);
  for (const [index, { shift, heightFrom, heightTo }] of peaks.present.entries()) {
    inRange(['present', index, 'shift'], shift);
    if (!outside(heightFrom, '0', heightTo)) continue;
    const message = `the height runs from ${heightFrom} to ${heightTo}`;
    const remedy = 'Let it rise from 0 or above.';
    faults.push([['asks', 'peaks', 'present', index, 'heightFrom'], message, remedy]);
  }
  for (const [index, { shift, heightFrom }] of peaks.absent.entries()) {
    inRange(['absent', index, 'shift'], shift);
    if (Number(heightFrom) > 0) continue;
    const message = `heightFrom is ${heightFrom}, expected above 0`;
    faults.push([['asks', 'peaks', 'absent', index, 'heightFrom'], message, 'Correct it.']);
  }
  return faults;
}

export function outside(value: string, low: string, high: string): boolean {
  if (!isDecimal(value) || !isDecimal(low) || !isDecimal(high)) return true;
  return compareDecimals(value, low) < 0 || compareDecimals(value, high) > 0;
}
