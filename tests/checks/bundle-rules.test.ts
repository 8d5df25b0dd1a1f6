import { describe, expect, it } from 'vitest';
import { assembleBundle } from '../../src/checks/assemble-bundle.js';
import { isHeld } from '../../src/checks/examination.js';
import {
  at,
  dec,
  examine,
  examineParts,
  findingsOf,
  goodCheck,
  goodParts,
  goodResult,
  NOW,
  placesOf,
  placesOfBundle,
  SITE,
  tampered,
} from './fixture.js';

const instrument = goodParts().instrument;

describe('a bundle as a whole', () => {
  it('is found without fault when it has none', () => {
    const examination = examineParts(
      goodParts([goodResult(2), goodResult(3)], {
        performanceChecks: [goodCheck(1), goodCheck(4)],
      }),
    );
    expect(findingsOf(examination)).toEqual([]);
    expect(examination.accounted).toEqual([{ epoch: 1, from: 1, to: 4 }]);
    expect(examination.results.map((r) => r.recheck.answer)).toEqual(['agrees', 'agrees']);
  });

  it('is found without fault when it is empty and states the last run', () => {
    const empty = goodParts([], { runs: { epoch: 1, first: null, last: 17 } });
    expect(findingsOf(examineParts(empty))).toEqual([]);
  });

  it('is held when the manifest counts other numbers', () => {
    const bytes = tampered(goodParts(), (document) => {
      document.manifest = {
        ...(document.manifest as object),
        counts: { results: 2, performanceChecks: 0, auditEvents: 1 },
      };
    });
    expect(placesOf(findingsOf(examine(bytes)))).toEqual([
      'manifest-counts /manifest/counts/results',
      'manifest-counts /manifest/counts/auditEvents',
    ]);
  });

  it('is held when the manifest leaves an element out, lists one that is not there, or one twice', () => {
    const bytes = tampered(goodParts([goodResult(1), goodResult(2)]), (document) => {
      const { parts } = document.manifest as { parts: { pointer: string; sha256: string }[] };
      const [first] = parts;
      if (!first) throw new Error('no part');
      parts.splice(0, 2, first, first, { pointer: '/results/9', sha256: first.sha256 });
    });
    expect(placesOf(findingsOf(examine(bytes)))).toEqual([
      'manifest-parts /manifest/parts/1/pointer',
      'manifest-parts /manifest/parts/2/pointer',
      'manifest-parts /results/1',
    ]);
  });

  it('is held when one result is not the one the manifest was made of', () => {
    const bytes = tampered(goodParts([goodResult(1), goodResult(2)]), (document) => {
      (document.results as { lot: string }[])[1] = {
        ...(document.results as { lot: string }[])[1],
        lot: 'L-2',
      };
    });
    const examination = examine(bytes);
    expect(placesOf(examination.bundleFindings)).toEqual(['part-digest /results/1']);
    expect(isHeld(examination.bundleFindings)).toBe(true);
    expect(examination.results.map((r) => r.findings)).toEqual([[], []]);
  });

  it('keeps its digests when keys are written in another order and with spaces', () => {
    const { bytes, document } = assembleBundle(goodParts());
    const reordered = Object.fromEntries(Object.entries(document).reverse());
    const spaced = examine(Buffer.from(JSON.stringify(reordered, null, 2)));
    expect(findingsOf(spaced)).toEqual([]);
    expect(spaced.canonicalDigest).toBe(examine(bytes).canonicalDigest);
    expect(spaced.rawSha256).not.toBe(examine(bytes).rawSha256);
  });

  it('has another digest when a field nobody knows differs, even one named parts', () => {
    const digest = (value: string) =>
      examine(tampered(goodParts(), (document) => (document.parts = value))).canonicalDigest;
    expect(digest('a')).not.toBe(digest('b'));
  });

  it.each([
    ['another site', { site: 'southquay' }, 'site-other /site'],
    [
      'another environment',
      { environment: 'production' as const },
      'environment-other /environment',
    ],
    [
      'an instrument nobody registered',
      { instrument: { ...instrument, serial: 'I-9' } },
      'instrument-unregistered /instrument/serial',
    ],
    [
      'an instrument out of service',
      { instrument: { ...instrument, serial: 'I-2' } },
      'instrument-out-of-service /instrument/serial',
    ],
    [
      'another model than registered',
      { instrument: { ...instrument, model: 'Model B' } },
      'instrument-model /instrument/model',
    ],
    [
      'another laser than registered',
      { instrument: { ...instrument, laserWavelengthNm: dec('785.1') } },
      'instrument-laser /instrument/laserWavelengthNm',
    ],
    [
      'a clock that shows a day that does not exist',
      { clocks: { instrument: '2026-02-30T00:00:00Z', syncPc: '2026-07-01T11:59:00Z' } },
      'bundle-time-unreadable /clocks/instrument',
    ],
    [
      'a sync PC more than the tolerance ahead',
      { clocks: { instrument: '2026-07-01T12:02:01Z', syncPc: '2026-07-01T12:02:00.001Z' } },
      'sync-clock-future /clocks/syncPc',
    ],
    [
      'runs outside the declared range',
      { runs: { epoch: 1, first: 2, last: 2 } },
      'run-range /runs',
    ],
    [
      'no declared first run',
      { runs: { epoch: 1, first: null, last: 1 } },
      'run-range /runs/first',
    ],
  ])('is held with %s', (_name, over, place) => {
    const examination = examineParts(goodParts(undefined, over));
    const found = examination.bundleFindings.find((f) => `${f.code} ${f.pointer}` === place);
    expect(found?.severity).toBe('hold');
    expect(found?.advice).not.toBe('');
  });

  it('is held when its zone is none, and then asks no offset', () => {
    expect(placesOfBundle({ timeZone: 'Europe/Atlantis' })).toEqual([
      'time-zone-unknown /timeZone',
      'time-zone-other /timeZone',
    ]);
    expect(placesOfBundle({ timeZone: '+01:00' })[0]).toBe('time-zone-unknown /timeZone');
  });

  it('takes the laser by its value, so 785 and 785.0 are one', () => {
    expect(
      placesOfBundle({ instrument: { ...instrument, laserWavelengthNm: dec('785.0') } }),
    ).toEqual([]);
  });

  it('is accepted with a sync PC clock exactly at the tolerance', () => {
    const clocks = { instrument: '2026-07-01T12:02:00Z', syncPc: '2026-07-01T12:02:00Z' };
    expect(placesOfBundle({ clocks })).toEqual([]);
  });

  it.each([
    [
      'another firmware',
      { instrument: { ...instrument, firmware: '1.1' } },
      'instrument-firmware /instrument/firmware',
    ],
    [
      'clocks apart',
      { clocks: { instrument: '2026-07-01T11:56:59.999Z', syncPc: '2026-07-01T11:59:00Z' } },
      'clock-skew /clocks',
    ],
    ['runs that are not there', { runs: { epoch: 1, first: 1, last: 3 } }, 'run-missing /runs'],
  ])('is remarked on, not held, with %s', (_name, over, place) => {
    const examination = examineParts(goodParts(undefined, over));
    expect(placesOf(examination.bundleFindings)).toEqual([place]);
    expect(isHeld(examination.bundleFindings)).toBe(false);
  });

  it('remarks on another zone than the site keeps', () => {
    const results = [goodResult(1, { measuredAt: '2026-07-01T13:10:00+02:00' })];
    const examination = examineParts(goodParts(results, { timeZone: 'Europe/Paris' }));
    expect(placesOf(findingsOf(examination))).toEqual(['time-zone-other /timeZone']);
  });

  it('says which runs are missing inside the declared range', () => {
    const results = [goodResult(1), goodResult(2), goodResult(6)];
    const examination = examineParts(goodParts(results, { runs: { epoch: 3, first: 1, last: 7 } }));
    expect(examination.missing).toEqual([
      { epoch: 3, from: 3, to: 5 },
      { epoch: 3, from: 7, to: 7 },
    ]);
    expect(examination.bundleFindings.map((f) => f.message)).toEqual([
      'runs 3 to 5 of epoch 3: declared, and nothing found',
      'run 7 of epoch 3: declared, and nothing found',
    ]);
  });

  it('remarks on packed results in a production environment, which never cover', () => {
    const production = { ...SITE, environment: 'production' as const };
    const over = { environment: 'production' as const, origin: 'packed' as const };
    expect(placesOfBundle(over, production)).toEqual(['origin-not-covering /origin']);
    expect(placesOfBundle({ ...over, origin: 'instrument' }, production)).toEqual([]);
  });

  it('remarks on results out of the order of their runs', () => {
    const examination = examineParts(goodParts([goodResult(2), goodResult(1)]));
    expect(placesOf(findingsOf(examination))).toEqual(['run-order /results/1/runNumber']);
  });

  it('remarks on a later run with an earlier time, and not on the autumn hour that happens twice', () => {
    const back = [goodResult(1), goodResult(2, { measuredAt: '2026-07-01T12:10:59.999+01:00' })];
    expect(placesOf(findingsOf(examineParts(goodParts(back))))).toEqual([
      'time-runs-backwards /results/1/measuredAt',
    ]);
    const autumn = [
      goodResult(1, { measuredAt: '2026-10-25T01:30:00+01:00' }),
      goodResult(2, { measuredAt: '2026-10-25T01:10:00+00:00' }),
    ];
    const later = at('2026-10-25T12:00:00Z');
    expect(findingsOf(examineParts(goodParts(autumn), SITE, later))).toEqual([]);
  });

  it('remarks on a performance check that failed', () => {
    const over = { performanceChecks: [goodCheck(2, { outcome: 'fail', shifts: [] })] };
    const examination = examineParts(goodParts([goodResult(1)], over));
    expect(placesOf(findingsOf(examination))).toEqual([
      'performance-check-failed /performanceChecks/0/outcome',
    ]);
  });

  it('is held with more results than the site takes, reading only as many', () => {
    const limits = { ...SITE.limits, resultsPerBundleMax: 2 };
    const results = [goodResult(1), goodResult(2), goodResult(3)];
    const examination = examineParts(goodParts(results), { ...SITE, limits }, NOW);
    expect(placesOf(examination.bundleFindings)).toEqual(['results-limit /results']);
    expect(examination.results).toHaveLength(2);
    expect(examination.resultsNotRead).toBe(1);
    expect(examination.canonicalDigest).toBeNull();
  });
});
