import { describe, expect, it } from 'vitest';
import { contentParts } from '../../src/checks/bundle-parts.js';
import { sha256 } from '../../src/formats/canonical-json.js';
import { addMs, type Instant, parseTimestamp } from '../../src/formats/instant.js';
import { type MeasurementRequest, SimulatedInstrument } from '../../src/simulation/instrument.js';
import type { Substance } from '../../src/simulation/published-shifts.js';
import { scoreCurve } from '../../src/simulation/score-curve.js';
import { SUBSTANCE_OF } from '../../src/simulation/story.js';
import { instrument, methodFor } from './support/method.js';

const noon = parseTimestamp('2026-07-04T12:00:00Z')?.instant as Instant;
const paracetamol = methodFor('NQ-1001', 'paracetamol');

function newInstrument(seed = 2611, score = scoreCurve): SimulatedInstrument {
  return new SimulatedInstrument({
    site: 'northquay',
    environment: 'training',
    timeZone: 'Europe/London',
    instrument,
    syncPc: 'sync-a',
    seed,
    operators: [{ id: 'op-11', name: 'Operator Eleven (simulated)' }],
    score,
  });
}

function request(substance: Substance, now: Instant = noon): MeasurementRequest {
  return {
    substance,
    receiptScan: 'NQ GR 7301',
    containerScan: 'D7301-01',
    lot: 'NQL-0441',
    method: paracetamol,
    operatorId: 'op-11',
    now,
  };
}

describe('a simulated handheld', () => {
  it('passes every true material and fails every other one, whatever the seed', () => {
    for (const [code, material] of Object.entries(SUBSTANCE_OF)) {
      const method = methodFor(code, material);
      for (const seed of [1, 7, 42, 2611, 99_991]) {
        const handheld = newInstrument(seed);
        for (const inside of Object.values(SUBSTANCE_OF)) {
          const { decision, score } = handheld.measure({ ...request(inside), method });
          const what = `${inside} by ${method.id}, seed ${seed}, score ${score?.value}`;
          expect(decision, what).toBe(inside === material ? 'pass' : 'fail');
          // The margin keeps the recheck's tolerance of 0.02 from ever deciding.
          if (inside === material) expect(Number(score?.value), what).toBeGreaterThan(0.93);
          else expect(Number(score?.value), what).toBeLessThan(0.6);
        }
      }
    }
  });

  it('reports inconclusive, not a decision, when there is no score', () => {
    const blind = newInstrument(1, () => null);
    expect(blind.measure(request('paracetamol'))).toMatchObject({
      decision: 'inconclusive',
      score: null,
    });
  });

  // Source: the polystyrene positions published for ASTM E1840.
  it('finds the published polystyrene bands in its performance check', () => {
    const check = newInstrument().performanceCheck(noon);
    expect(check.outcome).toBe('pass');
    expect(check.shifts.map((s) => s.expected)).toContain('1001.4');
    for (const { expected, observed } of check.shifts) {
      expect(Math.abs(Number(observed) - Number(expected))).toBeLessThan(0.5);
    }
  });

  it('counts results and checks as one row of runs and states their bounds', () => {
    const handheld = newInstrument();
    handheld.performanceCheck(noon);
    handheld.measure(request('paracetamol'));
    handheld.measure(request('paracetamol'));
    handheld.performanceCheck(noon);
    const { document } = handheld.sync(noon);
    expect(document.runs).toEqual({ epoch: 1, first: 1, last: 4 });
    expect(document.results.map((r) => r.runNumber)).toEqual([2, 3]);
    expect(document.performanceChecks.map((c) => c.runNumber)).toEqual([1, 4]);
  });

  it('chains bundles by the digest of the bytes before and may hand over an empty one', () => {
    const handheld = newInstrument();
    handheld.measure(request('paracetamol'));
    const first = handheld.sync(noon);
    const empty = handheld.sync(addMs(noon, 5000));
    expect(first.document.previousBundle).toBeNull();
    expect(first.sha256).toBe(sha256(first.bytes));
    expect(empty.document.previousBundle).toBe(first.sha256);
    expect(empty.document.results).toEqual([]);
    expect(empty.document.runs).toEqual({ epoch: 1, first: null, last: 1 });
    expect(empty.document.manifest.parts).toEqual(contentParts(empty.document));
  });

  it('writes wall-clock times with the offset of its site, later with every run', () => {
    const handheld = newInstrument();
    const first = handheld.measure(request('paracetamol'));
    const second = handheld.measure(request('paracetamol'));
    expect(first.measuredAt).toBe('2026-07-04T13:00:00.000+01:00');
    expect(second.measuredAt).toBe('2026-07-04T13:00:00.001+01:00');
  });

  it('never calls its results anything but simulated', () => {
    const handheld = newInstrument();
    handheld.measure(request('paracetamol'));
    const { document } = handheld.sync(noon);
    expect(document.origin).toBe('simulated');
    expect(document.environment).toBe('training');
    expect(document.results[0]?.remarks[0]?.name).toBe('simulated');
  });

  it('reports what stands before the laser under the label presented', () => {
    const result = newInstrument().measure(request('sulfur'));
    expect(result.decision).toBe('fail');
    expect(result.material).toBe('NQ-1001');
    expect(result.container?.scanned).toBe('D7301-01');
  });
});
