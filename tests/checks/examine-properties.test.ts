import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { assembleBundle } from '../../src/checks/assemble-bundle.js';
import type { ReadableExamination } from '../../src/checks/examination.js';
import { examineBundle } from '../../src/checks/examine-bundle.js';
import { applyHistory } from '../../src/checks/history-rules.js';
import { listRules } from '../../src/checks/rule-list.js';
import { isContrary } from '../../src/site/vocabulary.js';
import { goodCheck, goodParts, goodResult, NOW, SITE, validateSchema } from './fixture.js';

const codes = new Map(listRules().map((rule) => [rule.code, rule]));
const text = Buffer.from(
  assembleBundle(
    goodParts([goodResult(2), goodResult(3, { decision: 'fail' })], {
      performanceChecks: [goodCheck(1)],
      auditEvents: [{ at: '2026-07-01T11:00:00Z', actor: 'op-1', action: 'login' }],
    }),
  ).bytes,
).toString('utf8');

const examine = (bytes: Uint8Array) => examineBundle(bytes, SITE, { now: NOW, validateSchema });
const historyOf = (examination: ReadableExamination) =>
  applyHistory(
    examination,
    {
      instrument: null,
      sameBundleId: null,
      results: new Map(),
      performanceChecks: new Map(),
      receipts: new Map(),
    },
    SITE,
  );

/** Every pointer of a value. */
function pointersOf(value: unknown, path: (string | number)[] = []): (string | number)[][] {
  if (typeof value !== 'object' || value === null) return [path];
  return [
    path,
    ...Object.entries(value).flatMap(([key, inner]) => pointersOf(inner, [...path, key])),
  ];
}

const paths = pointersOf(JSON.parse(text)).filter((path) => path.length > 0);

function replaced(path: readonly (string | number)[], value: unknown): string {
  const document = JSON.parse(text) as Record<string | number, unknown>;
  let inner = document;
  for (const key of path.slice(0, -1)) inner = inner[key] as Record<string | number, unknown>;
  inner[path.at(-1) ?? ''] = value;
  return JSON.stringify(document);
}

const values = fc.oneof(
  fc.jsonValue({ maxDepth: 3 }),
  fc.constantFrom(
    null,
    -1,
    1e300,
    '',
    '1.5',
    'pass',
    'aborted',
    '2026-07-01T12:11:00+01:00',
    [],
    {},
  ),
);

describe('examining', () => {
  it('never throws on any JSON, nor on any bytes', () => {
    fc.assert(
      fc.property(fc.oneof(fc.json(), fc.string()), (document) => {
        expect(examine(Buffer.from(document)).kind).toMatch(/^(un)?readable$/);
      }),
    );
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 200 }), (bytes) => {
        expect(examine(bytes).kind).toBe('unreadable');
      }),
    );
  });

  it('never throws on a bundle with one value replaced, and says where something is wrong', () => {
    fc.assert(
      fc.property(fc.constantFrom(...paths), values, (path, value) => {
        const changed = replaced(path, value);
        if (/\\ud[89a-f]/i.test(changed)) return;
        const examination = examine(Buffer.from(changed));
        if (examination.kind === 'unreadable') {
          expect(['/format', '/version', '/bundleId']).toContain(examination.finding.pointer);
          return;
        }
        const history = historyOf(examination);
        const found = [
          ...examination.bundleFindings,
          ...examination.results.flatMap((result) => result.findings),
          ...history.bundleFindings,
          ...history.results.flatMap((result) => result.findings),
        ];
        for (const finding of found) {
          expect(finding.severity).toBe(codes.get(finding.code)?.severity);
          expect(finding.advice).not.toBe('');
        }
        // A changed element is never taken for the one the instrument wrote.
        const isPart = /^(results|performanceChecks|auditEvents)$/.test(String(path[0]));
        const isChanged = JSON.stringify(JSON.parse(changed)) !== text.trim();
        if (isPart && isChanged) expect(examination.bundleFindings.length).toBeGreaterThan(0);
      }),
      { numRuns: 600 },
    );
  });

  it('never throws on a bundle cut, or with bytes flipped, anywhere', () => {
    const bytes = Buffer.from(text);
    fc.assert(
      fc.property(
        fc.nat(bytes.length - 2),
        fc.integer({ min: 1, max: 255 }),
        fc.boolean(),
        (at, mask, cut) => {
          const broken = cut ? bytes.subarray(0, at) : Buffer.from(bytes);
          if (!cut) broken[at] = (broken[at] ?? 0) ^ mask;
          const examination = examine(broken);
          if (cut) expect(examination.kind).toBe('unreadable');
          else expect(examination.rawSha256).toHaveLength(64);
        },
      ),
      { numRuns: 400 },
    );
  });

  it('shows a fail in every document it can read, whatever else is broken', () => {
    const outside = paths.filter(
      (path) => !(path[0] === 'results' && (path.length === 1 || path[1] === '1')),
    );
    fc.assert(
      fc.property(fc.constantFrom(...outside), values, (path, value) => {
        const changed = replaced(path, value);
        if (/\\ud[89a-f]/i.test(changed)) return;
        const examination = examine(Buffer.from(changed));
        if (examination.kind === 'unreadable') return;
        const fail = examination.results.find((result) => result.pointer === '/results/1');
        expect(fail?.reading).toMatchObject({
          decision: 'fail',
          contrary: true,
          receiptScanned: 'GR-1',
        });
        expect(historyOf(examination).results[1]?.contrary).toBe(true);
      }),
    );
  });

  it('never makes a contrary decision anything else, whatever the recheck says', () => {
    const decisions = fc.constantFrom('fail', 'no-match', 'inconclusive', 'aborted' as const);
    fc.assert(
      fc.property(decisions, fc.constantFrom('0.10', '0.95', null), (decision, value) => {
        const score = value === null ? null : { ...goodResult(1).score, value };
        const examination = examine(
          assembleBundle(goodParts([goodResult(1, { decision, score } as never)])).bytes,
        );
        if (examination.kind !== 'readable') throw new Error('unreadable');
        expect(examination.results[0]?.reading.contrary).toBe(true);
        expect(isContrary(decision as 'fail', null, 'M-1')).toBe(true);
      }),
    );
  });
});

describe('the list of rules', () => {
  it('has every code once, in words, with what to do', () => {
    expect(codes.size).toBe(listRules().length);
    for (const rule of listRules()) {
      expect(rule.code).toMatch(/^[a-z]+(?:-[a-z]+)*$/);
      expect(rule.meaning).toMatch(/\.$/);
      expect(rule.advice).toMatch(/\.$/);
    }
  });
});
