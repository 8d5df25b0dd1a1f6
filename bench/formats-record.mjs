// A record with a spectrum as the dock sends it: uneven axis, float32 counts. Simulated.
import { createHash } from 'node:crypto';
import { littleEndianBytes } from '../dist/formats/float-array.js';

export function formatsRecord(points, number) {
  const axis = Float64Array.from({ length: points }, (_, i) => 200 + i * 1.7 + 0.01 * Math.sin(i));
  const intensity = Float32Array.from(
    { length: points },
    (_, i) => 1_000 + 400 * Math.sin(i / 40 + number) + (i % 7) / 8,
  );
  const values = { axis, intensity, even: null, intensityUnit: 'counts' };
  const label = (scanned) => ({ scanned, entry: 'scanned' });
  const record = {
    schema: 'drumline-result-record',
    version: '1.0',
    site: 'northquay',
    resultId: `NQ-R-0001:1:${number + 1}`,
    revision: 1,
    environment: 'training',
    origin: 'simulated',
    bundle: {
      bundleId: `b-${number}`,
      sha256: 'a'.repeat(64),
      receivedAt: '2026-03-04T08:20:00.000000Z',
      pointer: '/results/0',
      syncPc: 'sync-east-1',
    },
    instrument: {
      serial: 'NQ-R-0001',
      model: 'Dockside R1 (simulated)',
      firmware: '1.4.2',
      laserWavelengthNm: '785.0',
    },
    run: { epoch: 1, number: number + 1 },
    mode: 'verification',
    receipt: label('GR-2041/10'),
    container: label('DRUM-07'),
    material: 'NQ-1001',
    lot: 'L-55A',
    method: { id: 'ID-NQ-1001', version: '1', digest: 'b'.repeat(64) },
    operator: { id: 'op-3', name: 'Operator Three (simulated)' },
    measuredAt: {
      reported: '2026-03-04T09:15:30.250+01:00',
      utc: '2026-03-04T08:15:30.250000Z',
      source: 'instrument',
      zone: 'Europe/Paris',
    },
    place: 'dock',
    presentation: { kind: 'direct', between: null, probeCover: null },
    acquisition: { integrationTimeMs: '2500.0', accumulations: 3, laserPowerMw: '80' },
    decision: 'pass',
    score: { algorithm: 'squared-correlation', value: '0.9870', threshold: '0.90' },
    candidates: [{ material: 'NQ-1001', score: '0.9870' }],
    recheck: { answer: 'agrees', score: '0.986512', reason: 'within 0.02 of the reported score' },
    spectrum: {
      points,
      axisWidth: 'float64',
      intensityWidth: 'float32',
      axisFirst: String(axis[0]),
      axisLast: String(axis.at(-1)),
      intensityUnit: 'counts',
      sha256: createHash('sha256')
        .update(littleEndianBytes(axis))
        .update(littleEndianBytes(Float64Array.from(intensity)))
        .digest('hex'),
    },
    remarks: [],
    supersedes: null,
    findings: [],
  };
  return { record, values };
}
