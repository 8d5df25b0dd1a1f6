import { describe, expect, it } from 'vitest';
import type { Instant } from '../../src/formats/instant.js';
import { parseTimestamp } from '../../src/formats/instant.js';
import {
  buildResultRecord,
  type RecordInput,
  recordDigest,
  recordJson,
} from '../../src/records/build-record.js';
import { SAMPLE_BUNDLE, SAMPLE_RECORD, SAMPLE_RESULT } from './sample-record.js';

const INPUT: RecordInput = {
  bundle: SAMPLE_BUNDLE,
  result: SAMPLE_RESULT,
  pointer: '/results/0',
  revision: 1,
  rawSha256: SAMPLE_RECORD.bundle.sha256,
  receivedAt: parseTimestamp('2026-03-04T08:20:00Z')?.instant as Instant,
  recheck: SAMPLE_RECORD.recheck,
  spectrum: SAMPLE_RECORD.spectrum,
  remarkCodes: ['container-not-scanned'],
};

describe('buildResultRecord', () => {
  it('takes every reported text over letter for letter and adds what the gateway found', () => {
    expect(buildResultRecord(INPUT)).toEqual(SAMPLE_RECORD);
  });

  it('keeps the reported time and puts its UTC instant beside it', () => {
    const result = { ...SAMPLE_RESULT, measuredAt: '2026-10-25T01:30:00.5+00:00' };
    expect(buildResultRecord({ ...INPUT, result }).measuredAt).toMatchObject({
      reported: '2026-10-25T01:30:00.5+00:00',
      utc: '2026-10-25T01:30:00.500000Z',
    });
  });

  it('keeps trailing zeros of reported numbers', () => {
    const record = buildResultRecord(INPUT);
    expect(record.score).toMatchObject({ value: '0.9870', threshold: '0.90' });
    expect(record.acquisition.integrationTimeMs).toBe('2500.0');
  });

  it('says null for a method digest and an operator name that the bundle does not state', () => {
    const bundle = { ...SAMPLE_BUNDLE, methods: [], operators: [] };
    const record = buildResultRecord({ ...INPUT, bundle });
    expect(record.method.digest).toBeNull();
    expect(record.operator).toEqual({ id: 'op-3', name: null });
  });

  it('does not take the digest of another version of the method', () => {
    const methods = [{ id: 'ID-NQ-1001', version: '2', digest: 'c'.repeat(64) }];
    const record = buildResultRecord({ ...INPUT, bundle: { ...SAMPLE_BUNDLE, methods } });
    expect(record.method.digest).toBeNull();
  });

  it('drops fields that its schema does not name, at every level', () => {
    const odd = {
      ...SAMPLE_RESULT,
      colour: 'white',
      container: { scanned: 'D1', entry: 'scanned', angle: 3 },
      candidates: [{ material: 'NQ-1001', score: '0.98', rank: 1 }],
      acquisition: { accumulations: 2, gain: 4 },
    } as unknown as RecordInput['result'];
    const record = buildResultRecord({ ...INPUT, result: odd });
    expect(record).not.toHaveProperty('colour');
    expect(record.container).toEqual({ scanned: 'D1', entry: 'scanned' });
    expect(record.candidates).toEqual([{ material: 'NQ-1001', score: '0.98' }]);
    expect(record.acquisition).toEqual({ accumulations: 2 });
  });

  it('lists remark codes once, in one order, however they were found', () => {
    const a = buildResultRecord({ ...INPUT, remarkCodes: ['b', 'a', 'b'] });
    const b = buildResultRecord({ ...INPUT, remarkCodes: ['a', 'b'] });
    expect(a.findings).toEqual(['a', 'b']);
    expect(recordDigest(a)).toBe(recordDigest(b));
  });

  it('throws on a time that the checks must have held', () => {
    const result = { ...SAMPLE_RESULT, measuredAt: '2026-03-04 09:15' };
    expect(() => buildResultRecord({ ...INPUT, result })).toThrow('/results/0/measuredAt');
  });
});

describe('recordJson', () => {
  it('is the RFC 8785 form: sorted keys, no blanks, the same whatever order members were made in', () => {
    const shuffled = Object.fromEntries(Object.entries(SAMPLE_RECORD).reverse());
    expect(recordJson(shuffled as unknown as typeof SAMPLE_RECORD)).toBe(recordJson(SAMPLE_RECORD));
    expect(recordJson(SAMPLE_RECORD)).toMatch(
      /^\{"acquisition":\{"accumulations":3,"backgroundSubtracted":true,/,
    );
  });

  it('changes its digest with the smallest change of a digit', () => {
    const score = { ...SAMPLE_RECORD.score, value: '0.987' } as NonNullable<
      typeof SAMPLE_RECORD.score
    >;
    expect(recordDigest({ ...SAMPLE_RECORD, score })).not.toBe(recordDigest(SAMPLE_RECORD));
  });
});
