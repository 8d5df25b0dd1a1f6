import { describe, expect, it } from 'vitest';
import { assembleBundle, type BundleParts } from '../../src/checks/assemble-bundle.js';
import type { HistoryFacts } from '../../src/checks/history-facts.js';
import { applyHistory } from '../../src/checks/history-rules.js';
import { settleResults } from '../../src/pipeline/settled-result.js';
import { gapOf, unownedEvidence } from '../../src/pipeline/unowned-evidence.js';
import type { ScanTargets } from '../../src/receipts/scan-match.js';
import { at, examine, goodParts, goodResult, NOW, SITE, tampered } from '../checks/fixture.js';

/** What a bundle brings to light that belongs to no receipt for certain, as values. */

const RECEIVED = at('2026-07-01T11:59:30Z');

const KNOWN: ScanTargets = {
  byScanText: new Map([
    [
      'GR-1',
      {
        receiptId: 'R-1',
        material: 'M-1',
        area: 'dock',
        receivedAt: at('2026-07-01T08:00:00Z'),
        labels: new Map([['C-1', 'C-1']]),
      },
    ],
  ]),
  knownScanTexts: ['GR-1'],
};

const NO_HISTORY: HistoryFacts = {
  instrument: null,
  sameBundleId: null,
  results: new Map(),
  performanceChecks: new Map(),
  receipts: new Map(),
};

function found(bytes: BundleParts | Uint8Array, facts: Partial<HistoryFacts> = {}) {
  const examination = examine(bytes instanceof Uint8Array ? bytes : assembleBundle(bytes).bytes);
  const history = applyHistory(examination, { ...NO_HISTORY, ...facts }, SITE);
  let rows = 0;
  const results = settleResults(
    examination,
    examination.results.map(() => null),
    history,
    KNOWN,
    () => {
      rows += 1;
      return `row-${rows}`;
    },
  );
  const bundle = { rowId: 'bundle-1', site: SITE.site, receivedAt: RECEIVED };
  return unownedEvidence(bundle, examination, history, results, NOW);
}

const short = (evidence: ReturnType<typeof found>) =>
  evidence.map(({ class: kind, subject }) => `${kind} ${subject}`);

describe('a bundle brings to light', () => {
  it('nothing when it is sound and its results have owners, good or bad', () => {
    const fail = goodResult(2, {
      decision: 'fail',
      container: { scanned: 'C-1', entry: 'scanned' },
    });
    expect(found(goodParts([goodResult(1), fail]))).toEqual([]);
  });

  it('itself when it is held, with what holds it, bound to its instrument and arrival', () => {
    const spoilt = tampered(goodParts(), (document) => {
      document['createdAt'] = 'yesterday';
    });
    expect(found(spoilt)).toMatchObject([
      {
        class: 'held',
        subject: 'bundle:bundle-1',
        receiptId: null,
        scope: { instruments: ['I-1'], to: RECEIVED },
        openedAt: NOW,
      },
    ]);
    expect(found(spoilt)[0]?.detail).toMatch(/^bundle B-1 of I-1: .+/);
  });

  it('itself for every instrument when it is held and names none', () => {
    const nameless = tampered(goodParts(), (document) => {
      document['instrument'] = null;
    });
    expect(found(nameless)[0]?.scope).toEqual({ to: RECEIVED });
  });

  it('a conflict in place of a hold when its id came before with other content', () => {
    expect(short(found(goodParts(), { sameBundleId: 'other' }))).toEqual([
      'conflict bundle:bundle-1',
    ]);
  });

  it('every gap and every overlap in its runs, each by its own name', () => {
    const instrument = {
      epoch: 1,
      lastRun: 4,
      covered: [{ epoch: 1, from: 4, to: 4 }],
      bundles: new Set<string>(),
    };
    const evidence = found(goodParts([goodResult(4), goodResult(8)]), { instrument });
    expect(short(evidence)).toEqual([
      'run-gap runs:I-1:1:1-3',
      'run-gap runs:I-1:1:5-7',
      'run-overlap runs:I-1:1:4-4:bundle-1',
    ]);
    expect(evidence[1]?.detail).toBe('I-1: runs 5 to 7 of epoch 1 never arrived');
  });

  it.each([
    ['fail', 'GR-9', 'fail for receipt "GR-9", container "C-2"; near: GR-1'],
    ['inconclusive', 'XYZ-4711', 'inconclusive for receipt "XYZ-4711", container "C-2"'],
    ['aborted', '', 'aborted for receipt "", container "C-2"'],
  ] as const)('a contrary result (%s) of a receipt nobody knows', (decision, scanned, detail) => {
    const receipt = scanned === '' ? null : { scanned, entry: 'scanned' as const };
    const evidence = found(goodParts([goodResult(1), goodResult(2, { decision, receipt })]));
    expect(short(evidence)).toEqual(['contrary-unowned result:row-2']);
    expect(evidence[0]?.detail).toBe(detail);
  });

  it('no pass of a receipt nobody knows: it may be announced yet', () => {
    const receipt = { scanned: 'GR-9', entry: 'scanned' as const };
    expect(found(goodParts([goodResult(1, { receipt })]))).toEqual([]);
  });
});

describe('the subject of a gap', () => {
  it.each([
    ['runs:I-1:1:2-4', 'I-1', 1, true],
    ['runs:I-1:1:2-4', 'I-1', 2, false],
    ['runs:I-1:1:2-4', 'i-1', 1, false],
    ['runs:I-1:1:2-4', 'I_1', 1, false],
    ['runs:I-1:1:2-4', '%', 1, false],
    ['runs:I-1:1:4:2-4', 'I-1', 1, false],
    ['runs:I-1:1:4:2-4', 'I-1:1', 4, true],
    ['runs:I-1:12:2-4', 'I-1', 1, false],
    ['runs:I-1:1:2-4:bundle-1', 'I-1', 1, false],
  ])('%s belongs to %s in epoch %i: %s', (subject, serial, epoch, belongs) => {
    expect(gapOf(subject, serial, epoch) !== null).toBe(belongs);
  });
});
