import { describe, expect, it } from 'vitest';
import { assembleBundle } from '../../src/checks/assemble-bundle.js';
import { isHeld } from '../../src/checks/examination.js';
import { examineBundle } from '../../src/checks/examine-bundle.js';
import { explainRule } from '../../src/checks/explain.js';
import {
  examine,
  goodParts,
  goodResult,
  NOW,
  placesOf,
  SITE,
  tampered,
  validateSchema,
} from './fixture.js';

const bytesOf = (text: string) => Buffer.from(text, 'utf8');

function refusal(bytes: Uint8Array): { code: string; pointer: string } {
  const examination = examineBundle(bytes, SITE, { now: NOW, validateSchema });
  if (examination.kind !== 'unreadable') throw new Error('was readable');
  const { code, pointer, severity, advice } = examination.finding;
  expect(severity).toBe('hold');
  expect(advice).not.toBe('');
  expect(explainRule(code)?.refuses).toBe(true);
  return { code, pointer };
}

describe('bytes that cannot be called a bundle', () => {
  const text = Buffer.from(assembleBundle(goodParts()).bytes).toString('utf8');

  it.each([
    ['no bytes', '', 'json-syntax', ''],
    ['half a document', text.slice(0, -20), 'json-syntax', '/version'],
    ['a byte order mark', `\ufeff${text}`, 'json-byte-order-mark', ''],
    ['the beginning of an archive', 'PK\u0003\u0004', 'zip-structure', ''],
    ['another format', '{"format":"x"}', 'not-a-bundle', '/format'],
    ['a list', '[]', 'not-a-bundle', ''],
    [
      'another version',
      '{"format":"drumline-result-bundle","version":"2.0"}',
      'not-a-bundle',
      '/version',
    ],
    [
      'no bundle id',
      '{"format":"drumline-result-bundle","version":"1.0","bundleId":" "}',
      'not-a-bundle',
      '/bundleId',
    ],
  ])('%s are refused', (_name, document, code, pointer) => {
    const found = refusal(bytesOf(document));
    expect(found.code).toBe(code);
    if (code !== 'json-syntax') expect(found.pointer).toBe(pointer);
  });

  it('a key that stands twice deep inside is refused at its place', () => {
    const twice = text.replace('"decision":"pass"', '"decision":"fail","decision":"pass"');
    expect(refusal(bytesOf(twice))).toEqual({
      code: 'json-duplicate-key',
      pointer: '/results/0/decision',
    });
  });

  it('a document larger than the site takes is refused', () => {
    expect(refusal(Buffer.alloc(SITE.limits.bundleBytesMax + 1, ' ')).code).toBe('json-size');
  });
});

describe('a bundle without the shape of one', () => {
  it('is held, and a fail in it is read all the same', () => {
    const bytes = tampered(
      goodParts([goodResult(1), goodResult(2, { decision: 'fail' })]),
      (document) => {
        delete document.clocks;
        document.createdAt = 17;
      },
    );
    const examination = examine(bytes);
    expect(examination.document).toBeNull();
    expect(placesOf(examination.bundleFindings)).toEqual(['schema /createdAt', 'schema ']);
    expect(isHeld(examination.bundleFindings)).toBe(true);
    expect(examination.header).toMatchObject({
      bundleId: 'B-1',
      site: 'northquay',
      instrumentSerial: 'I-1',
      runEpoch: 1,
      createdAt: null,
    });
    expect(examination.results.map((r) => r.reading)).toMatchObject([
      { resultId: 'R-1', decision: 'pass', contrary: false, receiptScanned: 'GR-1' },
      {
        resultId: 'R-2',
        decision: 'fail',
        contrary: true,
        receiptScanned: 'GR-1',
        containerScanned: 'C-2',
        material: 'M-1',
        methodId: 'ID-M-1',
      },
    ]);
    expect(examination.accounted).toEqual([{ epoch: 1, from: 1, to: 2 }]);
  });

  it('counts a decision nobody knows as contrary, and whatever is no result at all', () => {
    const bytes = tampered(goodParts(), (document) => {
      const [result] = document.results as object[];
      document.results = [
        { ...result, decision: 'FAILED' },
        5,
        null,
        { ...result, decision: 'pass' },
      ];
    });
    const examination = examine(bytes);
    expect(examination.results.map((r) => r.reading.contrary)).toEqual([true, true, true, false]);
    expect(examination.results.map((r) => r.result)).toEqual([null, null, null, null]);
    expect(placesOf(examination.bundleFindings)).toEqual([
      'schema /results/0/decision',
      'schema /results/1',
      'schema /results/2',
    ]);
  });

  it('is told at most fifty faults, also of a list full of them', () => {
    const bytes = tampered(goodParts(), (document) => {
      document.results = Array.from({ length: 20 }, () => ({ decision: 1 }));
    });
    expect(examine(bytes).bundleFindings.length).toBeLessThanOrEqual(50);
    expect(examine(bytes).bundleFindings.length).toBeGreaterThan(20);
  });

  it('is not fooled by a key named __proto__', () => {
    const bytes = bytesOf(
      '{"format":"drumline-result-bundle","version":"1.0","bundleId":"B-9","__proto__":{"site":"northquay"}}',
    );
    const examination = examine(bytes);
    expect(examination.header.site).toBeNull();
    expect(({} as Record<string, unknown>).site).toBeUndefined();
    expect(examination.bundleFindings.map((f) => f.message)).toContain('the field site is missing');
  });

  it('keeps a field that nobody knows without a finding', () => {
    const bytes = tampered(goodParts(), (document) => {
      document.vendorField = { any: ['thing'] };
    });
    expect(examine(bytes).bundleFindings).toEqual([]);
  });
});
