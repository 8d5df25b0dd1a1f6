import { describe, expect, it } from 'vitest';
import { encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import type {
  HistoryFacts,
  InstrumentHistory,
  ReceiptFacts,
} from '../../src/checks/history-facts.js';
import { applyHistory } from '../../src/checks/history-rules.js';
import {
  at,
  curve,
  dec,
  examine,
  examineParts,
  goodCheck,
  goodParts,
  goodResult,
  placesOf,
  SITE,
  tampered,
} from './fixture.js';

const receipt: ReceiptFacts = {
  receiptId: 'receipt-1',
  announced: true,
  material: 'M-1',
  receivedAt: at('2026-07-01T08:00:00Z'),
};

function facts(over: Partial<HistoryFacts> = {}): HistoryFacts {
  return {
    instrument: null,
    sameBundleId: null,
    results: new Map(),
    performanceChecks: new Map(),
    receipts: new Map([['GR-1', receipt]]),
    ...over,
  };
}

const heard = (over: Partial<InstrumentHistory> = {}): InstrumentHistory => ({
  epoch: 1,
  lastRun: 10,
  covered: [{ epoch: 1, from: 1, to: 10 }],
  bundles: new Set(['b'.repeat(64)]),
  ...over,
});

const next = { previousBundle: 'b'.repeat(64) };

describe('a bundle against what came before', () => {
  it('is found without fault when it is the first of an instrument and begins at run 1', () => {
    const answer = applyHistory(examineParts(goodParts()), facts(), SITE);
    expect(answer).toMatchObject({ bundle: 'new', bundleFindings: [], gaps: [], overlaps: [] });
    expect(answer.results).toEqual([
      {
        pointer: '/results/0',
        standing: 'new',
        repeatsHeld: false,
        findings: [],
        expectedMaterial: 'M-1',
        contrary: false,
      },
    ]);
  });

  it('is found without fault when it follows on', () => {
    const examination = examineParts(goodParts([goodResult(11), goodResult(12)], next));
    const answer = applyHistory(examination, facts({ instrument: heard() }), SITE);
    expect(answer).toMatchObject({ bundleFindings: [], gaps: [], overlaps: [] });
  });

  it('opens a gap for the runs before the first one ever heard of', () => {
    const answer = applyHistory(examineParts(goodParts([goodResult(4)])), facts(), SITE);
    expect(answer.gaps).toEqual([{ epoch: 1, from: 1, to: 3 }]);
    expect(placesOf(answer.bundleFindings)).toEqual(['run-gap /runs']);
  });

  it('opens a gap, and tells of it once', () => {
    const first = applyHistory(
      examineParts(goodParts([goodResult(14)], next)),
      facts({ instrument: heard() }),
      SITE,
    );
    expect(first.gaps).toEqual([{ epoch: 1, from: 11, to: 13 }]);
    expect(first.bundleFindings.map((f) => f.severity)).toEqual(['remark']);
    const covered = [...heard().covered, { epoch: 1, from: 14, to: 14 }];
    const second = applyHistory(
      examineParts(goodParts([goodResult(15)], next)),
      facts({ instrument: heard({ covered, lastRun: 14 }) }),
      SITE,
    );
    expect(second.gaps).toEqual([{ epoch: 1, from: 11, to: 13 }]);
    expect(second.bundleFindings).toEqual([]);
  });

  it('narrows a gap by what it fills of it', () => {
    const covered = [...heard().covered, { epoch: 1, from: 20, to: 20 }];
    const answer = applyHistory(
      examineParts(goodParts([goodResult(14), goodResult(15)], next)),
      facts({ instrument: heard({ covered, lastRun: 20 }) }),
      SITE,
    );
    expect(answer.gaps).toEqual([
      { epoch: 1, from: 11, to: 13 },
      { epoch: 1, from: 16, to: 19 },
    ]);
    expect(answer.bundleFindings).toEqual([]);
  });

  it('shows by an empty bundle that runs are missing at the end, and keeps them missing', () => {
    const empty = goodParts([], { runs: { epoch: 1, first: null, last: 13 }, ...next });
    const answer = applyHistory(examineParts(empty), facts({ instrument: heard() }), SITE);
    expect(answer.gaps).toEqual([{ epoch: 1, from: 11, to: 13 }]);
    const later = applyHistory(
      examineParts(goodParts([goodResult(11)], next)),
      facts({ instrument: heard({ lastRun: 13 }) }),
      SITE,
    );
    expect(later.gaps).toEqual([{ epoch: 1, from: 12, to: 13 }]);
  });

  it('counts runs missing inside it as a gap', () => {
    const answer = applyHistory(
      examineParts(goodParts([goodResult(11), goodResult(13)], next)),
      facts({ instrument: heard() }),
      SITE,
    );
    expect(answer.gaps).toEqual([{ epoch: 1, from: 12, to: 12 }]);
  });

  it('closes no gap without the shape of a bundle, except by the runs it shows', () => {
    const covered = [...heard().covered, { epoch: 1, from: 13, to: 13 }];
    const bytes = tampered(goodParts([goodResult(11)]), (document) => delete document.site);
    const answer = applyHistory(
      examine(bytes),
      facts({ instrument: heard({ covered, lastRun: 13 }) }),
      SITE,
    );
    expect(answer.gaps).toEqual([{ epoch: 1, from: 12, to: 12 }]);
  });

  it('counts every epoch by itself', () => {
    const runs = { epoch: 2, first: 1, last: 1 };
    const answer = applyHistory(
      examineParts(goodParts([goodResult(1)], { runs })),
      facts({ instrument: heard() }),
      SITE,
    );
    expect(answer).toMatchObject({ gaps: [], overlaps: [] });
    expect(placesOf(answer.bundleFindings)).toEqual(['epoch-changed /runs/epoch']);
  });

  it('holds a new result whose run was accounted for before', () => {
    const examination = examineParts(
      goodParts([goodResult(9), goodResult(11)], { ...next, performanceChecks: [goodCheck(10)] }),
    );
    const answer = applyHistory(examination, facts({ instrument: heard() }), SITE);
    expect(answer.overlaps).toEqual([{ epoch: 1, from: 9, to: 10 }]);
    expect(answer.results.map((r) => placesOf(r.findings))).toEqual([
      ['run-overlap /results/0/runNumber'],
      [],
    ]);
    expect(answer.results[0]?.findings[0]?.severity).toBe('hold');
  });

  it('takes results and checks sent once more for what they are', () => {
    const examination = examineParts(
      goodParts([goodResult(9), goodResult(11)], { ...next, performanceChecks: [goodCheck(10)] }),
    );
    const known = facts({
      instrument: heard(),
      results: new Map([['R-9', { sha256: examination.results[0]?.sha256 ?? '' }]]),
      performanceChecks: new Map([['P-10', examination.performanceChecks[0]?.sha256 ?? '']]),
    });
    const answer = applyHistory(examination, known, SITE);
    expect(answer.overlaps).toEqual([]);
    expect(answer.results.map((r) => r.standing)).toEqual(['repeated', 'new']);
    expect(answer.results.flatMap((r) => r.findings).map((f) => `${f.severity} ${f.code}`)).toEqual(
      ['remark result-repeated'],
    );
  });

  it('holds a result of a known id with other content', () => {
    const known = facts({ results: new Map([['R-1', { sha256: 'c'.repeat(64) }]]) });
    const answer = applyHistory(examineParts(goodParts()), known, SITE);
    expect(answer.results[0]?.standing).toBe('conflict');
    expect(placesOf(answer.results[0]?.findings ?? [])).toEqual([
      'result-conflict /results/0/resultId',
    ]);
  });

  it('keeps a result for a reviewer that came before in a bundle which is held', () => {
    const parts = goodParts([goodResult(1)], { bundleId: 'B-9' });
    const sha256 = examineParts(parts).results[0]?.sha256 ?? '';
    const known = (isOutWithBundle: boolean) =>
      applyHistory(
        examineParts(parts),
        facts({ results: new Map([['R-1', { sha256, isOutWithBundle }]]) }),
        SITE,
      ).results[0];
    expect(known(true)).toMatchObject({ standing: 'repeated', repeatsHeld: true });
    expect(known(true)?.findings.map((f) => f.code)).toEqual(['result-repeats-held']);
    expect(known(false)).toMatchObject({ standing: 'repeated', repeatsHeld: false });
    expect(known(false)?.findings.map((f) => f.code)).toEqual(['result-repeated']);
  });

  it('is held under an id that stands for another bundle, and repeated under its own', () => {
    const examination = examineParts(goodParts());
    const conflict = applyHistory(examination, facts({ sameBundleId: 'd'.repeat(64) }), SITE);
    expect(conflict.bundle).toBe('conflict');
    expect(conflict.bundleFindings.map((f) => `${f.severity} ${f.code}`)).toEqual([
      'hold bundle-conflict',
    ]);
    const same = applyHistory(
      examination,
      facts({ sameBundleId: examination.canonicalDigest }),
      SITE,
    );
    expect(same).toMatchObject({ bundle: 'repeated', bundleFindings: [] });
  });

  it('is remarked on when it names a bundle nobody has, or none though there was one', () => {
    for (const previousBundle of ['e'.repeat(64), null]) {
      const examination = examineParts(goodParts([goodResult(11)], { previousBundle }));
      const answer = applyHistory(examination, facts({ instrument: heard() }), SITE);
      expect(placesOf(answer.bundleFindings)).toEqual(['chain-broken /previousBundle']);
    }
  });
});

describe('a result against its receipt', () => {
  const against = (over: Partial<ReceiptFacts> | null, result = goodResult(1)) =>
    applyHistory(
      examineParts(goodParts([result])),
      facts({ receipts: over === null ? new Map() : new Map([['GR-1', { ...receipt, ...over }]]) }),
      SITE,
    ).results[0];

  it('is remarked on when nobody announced it', () => {
    for (const over of [null, { announced: false, material: null, receivedAt: null }]) {
      const judged = against(over);
      expect(judged?.findings.map((f) => `${f.severity} ${f.code}`)).toEqual([
        'remark receipt-not-announced',
      ]);
      expect(judged?.expectedMaterial).toBeNull();
    }
  });

  it('is held when the method is not approved for the material ERP expects', () => {
    const judged = against({ material: 'M-2' });
    expect(placesOf(judged?.findings ?? [])).toEqual([
      'material-other /results/0/material',
      'method-not-approved /results/0/method',
    ]);
    expect(judged?.expectedMaterial).toBe('M-2');
    const unpicked = against({ material: 'M-2' }, goodResult(1, { material: null }));
    expect(placesOf(unpicked?.findings ?? [])).toEqual(['method-not-approved /results/0/method']);
  });

  it('is held when it was measured before the goods came, and not at the same instant', () => {
    const measured = '2026-07-01T12:11:00+01:00';
    expect(
      placesOf(against({ receivedAt: at('2026-07-01T11:11:00.000001Z') })?.findings ?? []),
    ).toEqual(['time-before-receipt /results/0/measuredAt']);
    expect(against({ receivedAt: at(measured) })?.findings).toEqual([]);
  });

  it('is contrary when it matches another material than the receipt expects', () => {
    const { axis, intensity } = curve('naphthalene', 1);
    const match = goodResult(1, {
      mode: 'identification',
      method: { id: 'ID-FIND', version: '1' },
      decision: 'match',
      material: null,
      candidates: [{ material: 'M-2', score: dec('0.97') }],
      spectrum: encodeSpectrum(axis, intensity, 'float64'),
    });
    expect(against({ material: 'M-1' }, match)?.contrary).toBe(true);
    expect(against({ material: 'M-2' }, match)?.contrary).toBe(false);
    expect(against({}, goodResult(1, { decision: 'inconclusive' }))?.contrary).toBe(true);
  });
});
