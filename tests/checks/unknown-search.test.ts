import { describe, expect, it } from 'vitest';
import { encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import type { BundleResult } from '../../src/intake/result-bundle.js';
import { synthesiseSpectrum } from '../../src/simulation/synthesise-spectrum.js';
import type { Method, SiteFolder } from '../../src/site/site-folder.js';
import {
  curve,
  dec,
  examineParts,
  findingsOf,
  goodParts,
  goodResult,
  methodOf,
  placesOf,
  SITE,
  scoreOf,
} from './fixture.js';

const measured = curve('paracetamol', 1);
const sulfur = synthesiseSpectrum({
  material: 'sulfur',
  axisFrom: 200,
  axisTo: 2000,
  step: 2,
  noise: 20,
  baseline: 500,
  seed: 5,
});
const score = (material: string, value: string) => ({ material, score: dec(value) });

function matchOf(over: Partial<BundleResult> = {}): BundleResult {
  const value = scoreOf('ID-FIND', measured);
  return goodResult(1, {
    mode: 'identification',
    method: { id: 'ID-FIND', version: '1' },
    decision: 'match',
    score: { algorithm: 'squared-correlation', value, threshold: dec('0.90') },
    candidates: [score('M-1', value), score('M-2', '0.00')],
    ...over,
  });
}

function examine(result: BundleResult, site: SiteFolder = SITE) {
  const examination = examineParts(goodParts([result]), site);
  return { findings: findingsOf(examination), result: examination.results[0] };
}

const places = (result: BundleResult, site?: SiteFolder) =>
  placesOf(examine(result, site).findings);

/** The site with another method in the place of ID-FIND; its content digest is left as it was. */
function searching(over: Partial<Method>): SiteFolder {
  const find = { ...methodOf('ID-FIND'), ...over };
  return { ...SITE, methods: SITE.methods.map((m) => (m.id === find.id ? find : m)) };
}

describe('the ranking of an unknown search', () => {
  it('is borne out when the material that was found scores best, and says so', () => {
    const { findings, result } = examine(matchOf());
    expect(placesOf(findings)).toEqual([]);
    expect(result?.recheck.answer).toBe('agrees');
    expect(result?.recheck.score).toBe(Number(result?.recheck.score).toFixed(6));
  });

  it('names another winner, and nothing else', () => {
    const wrong = matchOf({ candidates: [score('M-2', '0.98'), score('M-1', '0.02')] });
    const { findings, result } = examine(wrong);
    expect(placesOf(findings)).toEqual(['ranking-winner /results/0/candidates/0/material']);
    expect(findings[0]?.numbers).toMatchObject({ reported: 'M-2', best: 'M-1' });
    expect(result?.recheck.answer).toBe('disagrees');
  });

  it('finds the winner among materials that were not reported at all', () => {
    const alone = matchOf({ candidates: [score('M-2', '0.98')] });
    expect(places(alone)).toEqual(['ranking-winner /results/0/candidates/0/material']);
  });

  it('names a near tie when the lead is below the margin of the method', () => {
    const asks = { peaks: null, residual: null, margin: dec('0.10') };
    const twin = {
      material: 'M-2',
      file: 'references/twin.csv',
      models: null,
      spectrum: { ...curve('paracetamol', 9, 60), sha256: 'twin' as never },
    };
    const near = { ...searching({ asks }), references: [twin] };
    expect(places(matchOf(), near)).toEqual(['ranking-near-tie /results/0/candidates/0/score']);
    expect(places(matchOf(), searching({ asks }))).toEqual([]);
    // Without a margin the method does not ask.
    expect(places(matchOf(), { ...SITE, references: [twin] })).toEqual([]);
  });

  it('names a match whose recomputed score is below the threshold', () => {
    const reported = {
      score: { algorithm: 'squared-correlation', value: dec('0.95'), threshold: dec('0.90') },
      candidates: [score('M-1', '0.95')],
    };
    const noisy = curve('paracetamol', 4, 900);
    const spectrum = encodeSpectrum(noisy.axis, noisy.intensity, 'float64');
    expect(places(matchOf({ ...reported, spectrum }))).toEqual([
      'ranking-below-threshold /results/0/decision',
    ]);
  });

  it('names a score that is not the recomputed one, when ranking and threshold are borne out', () => {
    const value = dec('0.93');
    const threshold = dec('0.90');
    const off = matchOf({ score: { algorithm: 'squared-correlation', value, threshold } });
    expect(places(off)).toEqual(['recheck-disagrees /results/0/score/value']);
  });

  it('remarks on a candidate that no reference stands for, and ranks the others', () => {
    const more = matchOf({ candidates: [...matchOf().candidates, score('M-9', '0.00')] });
    const { findings, result } = examine(more);
    expect(findings.map((f) => `${f.severity} ${f.code} ${f.pointer}`)).toEqual([
      'remark candidate-without-reference /results/0/candidates/2/material',
    ]);
    expect(result?.recheck.answer).toBe('agrees');
  });

  it('cannot be recomputed when the winner has no reference', () => {
    const unknown = matchOf({ candidates: [score('M-9', '0.98'), score('M-1', '0.5')] });
    const { findings, result } = examine(unknown);
    expect(placesOf(findings)).toEqual([
      'ranking-not-recomputable /results/0/candidates',
      'candidate-without-reference /results/0/candidates/0/material',
    ]);
    expect(result?.recheck.answer).toBe('not-recomputable');
  });

  it('says that the spectrum is missing in the way of every other result', () => {
    expect(places(matchOf({ spectrum: null }))).toEqual([
      'recheck-not-possible /results/0/spectrum',
    ]);
  });

  it('leaves a no-match contrary, and holds one that the recheck would have matched', () => {
    const denied = matchOf({ decision: 'no-match', score: null, candidates: [] });
    const { findings, result } = examine(denied);
    expect(placesOf(findings)).toEqual(['recheck-disagrees /results/0/decision']);
    expect(result?.reading.contrary).toBe(true);
    const spectrum = encodeSpectrum(sulfur.axis, sulfur.intensity, 'float64');
    const honest = examine(
      matchOf({ decision: 'no-match', score: null, candidates: [], spectrum }),
    );
    expect(placesOf(honest.findings)).toEqual([]);
    expect(honest.result?.reading.contrary).toBe(true);
  });
});
