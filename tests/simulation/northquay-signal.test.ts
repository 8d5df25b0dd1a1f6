import { beforeAll, describe, expect, it } from 'vitest';
import { loadBundleSchema } from '../../src/checks/bundle-schema.files.js';
import { examineBundle } from '../../src/checks/examine-bundle.js';
import { addMs, instantFromMillis } from '../../src/formats/instant.js';
import { SimulatedInstrument } from '../../src/simulation/instrument.js';
import { OPERATORS } from '../../src/simulation/northquay-day.js';
import { scoreCurve } from '../../src/simulation/score-curve.js';
import { SUBSTANCE_OF } from '../../src/simulation/story.js';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import { NORTHQUAY } from '../support/site-folder-copy.js';

let site: SiteFolder;

beforeAll(async () => {
  const loaded = await loadSiteFolder(NORTHQUAY, {});
  if (!loaded.ok) throw new Error(loaded.faults.map((f) => f.message).join());
  site = loaded.site;
});

describe('the simulated spectra of Northquay', () => {
  it('trip no check by accident, whatever stands before the laser and whichever method is picked', () => {
    const [registered] = site.instruments;
    if (registered === undefined) throw new Error('Northquay has no instrument');
    const now = instantFromMillis(Date.parse('2026-07-01T12:00:00Z'));
    const instrument = new SimulatedInstrument({
      site: site.site,
      environment: site.environment,
      timeZone: site.timeZone,
      instrument: registered,
      syncPc: 'sync-a',
      seed: 3,
      operators: OPERATORS,
      score: scoreCurve,
    });
    let drum = 0;
    for (let round = 0; round < 4; round++) {
      for (const method of site.methods) {
        for (const substance of Object.values(SUBSTANCE_OF)) {
          drum += 1;
          instrument.measure({
            substance,
            receiptScan: 'NQ GR 1',
            containerScan: `D-${drum}`,
            lot: 'L-1',
            method,
            operatorId: OPERATORS[0].id,
            now: addMs(now, drum * 1000),
          });
        }
      }
    }
    const { bytes } = instrument.sync(addMs(now, 600_000));
    const context = { now: addMs(now, 700_000), validateSchema: loadBundleSchema() };
    const examination = examineBundle(bytes, site, context);
    if (examination.kind === 'unreadable') throw new Error(examination.finding.message);
    expect(examination.bundleFindings).toEqual([]);
    expect(examination.results).toHaveLength(drum);
    expect(drum).toBeGreaterThan(50);
    expect(examination.results.flatMap(({ findings }) => findings)).toEqual([]);
  });
});
