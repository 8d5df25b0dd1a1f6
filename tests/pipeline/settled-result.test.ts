import { describe, expect, it } from 'vitest';
import { assembleBundle, type BundleParts } from '../../src/checks/assemble-bundle.js';
import type { HistoryFacts } from '../../src/checks/history-facts.js';
import { applyHistory } from '../../src/checks/history-rules.js';
import { canonicalDigest, sha256 } from '../../src/formats/canonical-json.js';
import {
  isCleanPass,
  resultRow,
  type SettledResult,
  settleResults,
} from '../../src/pipeline/settled-result.js';
import type { ScanTargets } from '../../src/receipts/scan-match.js';
import {
  dec,
  examine,
  goodCheck,
  goodParts,
  goodResult,
  SITE,
  tampered,
} from '../checks/fixture.js';
import { BundleBench } from './bundle-bench.js';

/** What becomes of one result once the checks, the history and the receipts have spoken. */

const TARGETS: ScanTargets = {
  byScanText: new Map([
    [
      'GR-1',
      {
        receiptId: 'R-1',
        material: 'M-1',
        area: 'dock',
        receivedAt: null,
        labels: new Map([['C-1', 'c-1']]),
      },
    ],
  ]),
  knownScanTexts: [],
};

const RECORD = { json: '{}', sha256: sha256('record'), animlSha256: sha256('AnIML') };

function settle(
  bytes: BundleParts | Uint8Array,
  facts: Partial<HistoryFacts> = {},
  record: typeof RECORD | null = RECORD,
) {
  const examination = examine(bytes instanceof Uint8Array ? bytes : assembleBundle(bytes).bytes);
  const none = { instrument: null, sameBundleId: null, receipts: new Map(), results: new Map() };
  const history = applyHistory(
    examination,
    { ...none, performanceChecks: new Map(), ...facts },
    SITE,
  );
  let rows = 0;
  const results = settleResults(
    examination,
    examination.results.map(() => record),
    history,
    TARGETS,
    () => {
      rows += 1;
      return `row-${rows}`;
    },
  );
  return { examination, results };
}

const states = (results: readonly SettledResult[]) => results.map((result) => result.state);

describe('a result', () => {
  it('is accepted when nothing holds it, its bundle is sound and a record was built', () => {
    expect(states(settle(goodParts()).results)).toEqual(['accepted']);
    expect(states(settle(goodParts(), {}, null).results)).toEqual(['held']);
  });

  it('is held by its own fault only, while the others of its bundle are accepted', () => {
    const wrong = goodResult(2, {
      score: { algorithm: 'squared-correlation', value: dec('0.10'), threshold: dec('0.90') },
    });
    const { results } = settle(goodParts([goodResult(1), wrong, goodResult(3)]));
    expect(states(results)).toEqual(['accepted', 'held', 'accepted']);
  });

  it('is held with its whole bundle, and keeps what it says', () => {
    const fail = goodResult(2, { decision: 'fail' });
    const spoilt = tampered(goodParts([goodResult(1), fail]), (document) => {
      document['results'] = [goodResult(1, { lot: 'L-2' }), fail];
    });
    const { results, examination } = settle(spoilt);
    expect(states(results)).toEqual(['held', 'held']);
    const rows = results.map((r) => resultRow(r, { rowId: 'b-1', site: 'northquay' }, examination));
    expect(rows.map((row) => [row.decision, row.contrary, row.lot])).toEqual([
      ['pass', 0, 'L-2'],
      ['fail', 1, 'L-1'],
    ]);
  });

  it('is left out when it is known with the same content, and held beside it with other content', () => {
    const [first, second] = [goodResult(1), goodResult(2)];
    const results = new Map([
      ['R-1', { sha256: canonicalDigest(first) }],
      ['R-2', { sha256: 'something else' }],
    ]);
    const settled = settle(goodParts([first, second]), { results }).results;
    expect(settled.map((r) => [r.examined.pointer, r.state])).toEqual([['/results/1', 'held']]);
    expect(settled[0]?.findings.map((f) => f.code)).toContain('result-conflict');
  });
});

describe('a clean pass', () => {
  const isClean = (bytes: BundleParts | Uint8Array, facts: Partial<HistoryFacts> = {}) =>
    settle(bytes, facts).results.map(isCleanPass);

  it('is an accepted pass that the recheck agrees with', () => {
    expect(isClean(goodParts())).toEqual([true]);
  });

  it('is no fail, nothing held, nothing that speaks of another material, nothing the recheck doubts', () => {
    const other = dec('0.10');
    const doubted = { algorithm: 'squared-correlation', value: other, threshold: dec('0.90') };
    const found = isClean(
      goodParts([goodResult(1, { decision: 'fail' }), goodResult(2, { score: doubted })]),
    );
    expect(found).toEqual([false, false]);
    expect(settle(goodParts(), {}, null).results.map(isCleanPass)).toEqual([false]);
    const [clean] = settle(goodParts()).results;
    if (!clean) throw new Error('nothing was settled');
    expect(isCleanPass({ ...clean, history: { ...clean.history, contrary: true } })).toBe(false);
    const recheck = { ...clean.examined.recheck, answer: 'not-recomputable' as const };
    expect(isCleanPass({ ...clean, examined: { ...clean.examined, recheck } })).toBe(false);
  });
});

describe('the row of a result', () => {
  const row = (bytes: BundleParts | Uint8Array) => {
    const { results, examination } = settle(bytes);
    const [result] = results;
    if (!result) throw new Error('nothing was settled');
    return resultRow(result, { rowId: 'bundle-1', site: 'northquay' }, examination);
  };

  it('belongs to the receipt and the announced label its scans name', () => {
    expect(row(goodParts())).toMatchObject({
      id: 'row-1',
      result_id: 'R-1',
      receipt_id: 'R-1',
      receipt_scanned: 'GR-1',
      container_scanned: 'C-1',
      container_label: 'c-1',
      instrument_serial: 'I-1',
      run_epoch: 1,
      run_number: 1,
      record: '{}',
    });
  });

  it('belongs to the receipt alone when no container of it has the label', () => {
    const container = { scanned: 'C-77', entry: 'scanned' as const };
    expect(row(goodParts([goodResult(1, { container })]))).toMatchObject({
      receipt_id: 'R-1',
      container_label: null,
    });
  });

  it('belongs to nobody when the receipt is unknown, whatever its container is called', () => {
    const receipt = { scanned: 'GR-2', entry: 'scanned' as const };
    expect(row(goodParts([goodResult(1, { receipt })]))).toMatchObject({
      receipt_id: null,
      receipt_scanned: 'GR-2',
      container_label: null,
    });
  });

  it('is named by its place when its id cannot be read, and counts as contrary when its decision cannot', () => {
    const nameless = tampered(goodParts(), (document) => {
      const [result] = document['results'] as Record<string, unknown>[];
      if (!result) throw new Error('there is a result');
      result['resultId'] = 7;
      result['decision'] = 'looks fine';
    });
    expect(row(nameless)).toMatchObject({
      result_id: 'bundle-1/results/0',
      state: 'held',
      decision: null,
      contrary: 1,
      receipt_id: 'R-1',
    });
  });
});

describe('a bundle that is settled', () => {
  it('with two results under one id keeps both, held', async () => {
    const bench = await BundleBench.open();
    const twice = [goodResult(1), goodResult(2, { resultId: 'R-1', decision: 'fail' })];
    const id = await bench.settle(goodParts(twice));
    expect((await bench.bundle(id)).state).toBe('accepted');
    const rows = await bench.database.db
      .selectFrom('result')
      .select(['pointer', 'state', 'decision'])
      .orderBy('pointer')
      .execute();
    expect(rows).toEqual([
      { pointer: '/results/0', state: 'held', decision: 'pass' },
      { pointer: '/results/1', state: 'held', decision: 'fail' },
    ]);
  });

  // More rows than an insert may bind values for: SQLite's limit is 32766 (sqlite.org/limits.html, from memory).
  it('may have a finding on each of thousands of results', async () => {
    const bench = await BundleBench.open(LARGE);
    const typed = { entry: 'typed' as const };
    const results = Array.from({ length: 2_000 }, (_, i) => ({
      ...goodResult(1),
      runNumber: i + 1,
      resultId: `R-${i + 1}`,
      spectrum: null,
      receipt: { scanned: 'GR-1', ...typed },
      container: { scanned: `C-${i + 1}`, ...typed },
    }));
    const id = await bench.settle(goodParts(results));
    expect((await bench.bundle(id)).state).toBe('accepted');
    const codes = await bench.codesOf(id);
    expect(codes.filter((code) => code.startsWith('label-not-scanned '))).toHaveLength(4_000);
  });

  it('may have thousands of performance checks, and is known by each of them when they come again', async () => {
    const bench = await BundleBench.open(LARGE);
    const performanceChecks = Array.from({ length: 3_000 }, (_, i) => goodCheck(i + 1));
    const id = await bench.settle(goodParts([], { performanceChecks }));
    expect((await bench.bundle(id)).state).toBe('accepted');
    await bench.settle(goodParts([], { bundleId: 'B-2', performanceChecks }));
    expect(await bench.discrepancies()).toEqual([]);
  });
});

const LARGE = {
  ...SITE,
  limits: { ...SITE.limits, resultsPerBundleMax: 5_000, bundleBytesMax: 33_554_432 },
};
