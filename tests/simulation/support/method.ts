import type { Sha256 } from '../../../src/formats/canonical-json.js';
import type { Decimal } from '../../../src/formats/decimal.js';
import type { Substance } from '../../../src/simulation/published-shifts.js';
import { synthesiseSpectrum } from '../../../src/simulation/synthesise-spectrum.js';
import type { Instrument, Method } from '../../../src/site/site-folder.js';

/** A method as Northquay registers them: first derivative over 15 points, range 250 to 1800, grid 1. */
export function methodFor(code: string, material: Substance): Method {
  const { axis, intensity } = synthesiseSpectrum({
    material,
    axisFrom: 200,
    axisTo: 2000,
    step: 2,
    noise: 0,
    baseline: 0,
    seed: 0,
  });
  return {
    id: `ID-${code}`,
    version: '1',
    title: `Identity of ${material} (simulated)`,
    material: code,
    mode: 'verification',
    algorithm: 'squared-correlation',
    threshold: '0.90' as Decimal,
    scoreTolerance: '0.02' as Decimal,
    range: { from: '250' as Decimal, to: '1800' as Decimal },
    gridStep: '1' as Decimal,
    derivative: { points: 15, polynomialOrder: 2, order: 1 },
    reference: { axis, intensity, sha256: 'a'.repeat(64) as Sha256 },
    contentDigest: 'b'.repeat(64) as Sha256,
    approvals: [{ material: code, decision: 'D-003' }],
  };
}

export const instrument: Instrument = {
  serial: 'NQ-R-0001',
  model: 'Dockside R1 (simulated)',
  firmware: '1.4.2',
  laserWavelengthNm: '785' as Decimal,
  area: 'east-dock',
  inService: true,
};
