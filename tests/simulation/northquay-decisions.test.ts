import { fileURLToPath } from 'node:url';
import { beforeAll, describe, expect, it } from 'vitest';
import { addMs, type Instant, parseTimestamp } from '../../src/formats/instant.js';
import { SimulatedInstrument } from '../../src/simulation/instrument.js';
import { northquayDay, OPERATORS } from '../../src/simulation/northquay-day.js';
import { scoreCurve } from '../../src/simulation/score-curve.js';
import { SUBSTANCE_OF } from '../../src/simulation/story.js';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import type { SiteFolder } from '../../src/site/site-folder.js';

const FOLDER = fileURLToPath(new URL('../../mappings/northquay', import.meta.url));
const noon = parseTimestamp('2026-03-04T12:00:00Z')?.instant as Instant;
/** The demo's own seed first. */
const SEEDS = [2611, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10];

let site: SiteFolder;

beforeAll(async () => {
  const loaded = await loadSiteFolder(FOLDER, {});
  if (!loaded.ok) throw new Error(JSON.stringify(loaded.faults));
  site = loaded.site;
});

function instruments(seed: number): Map<string, SimulatedInstrument> {
  return new Map(
    site.instruments.map((instrument) => [
      instrument.serial,
      new SimulatedInstrument({
        site: site.site,
        environment: site.environment,
        timeZone: site.timeZone,
        instrument,
        syncPc: 'sync-a',
        seed,
        operators: OPERATORS,
        score: scoreCurve,
      }),
    ]),
  );
}

describe('the handhelds of the Northquay day', () => {
  it('decide by what is in the drum before them, with the site’s methods and every seed', () => {
    for (const seed of SEEDS) {
      const handhelds = instruments(seed);
      const story = northquayDay({ auditedManufacturer: 'any' });
      const inside = new Map(story.receipts.flatMap((r) => r.drums.map((d) => [d.label, d.holds])));
      for (const step of story.steps) {
        if (step.do === 'change') inside.set(step.drum, step.holds);
        if (step.do === 'check') {
          const check = handhelds.get(step.serial)?.performanceCheck(noon);
          expect(check?.outcome, `${step.serial}, seed ${seed}`).toBe('pass');
        }
        if (step.do !== 'measure') continue;
        const label = step.presents ?? step.drum;
        const receipt = story.receipts.find((r) => r.drums.some((d) => d.label === label));
        const method = site.methods.find((m) => m.material === receipt?.material);
        const substance = inside.get(step.drum);
        if (!receipt || !method || !substance) throw new Error(`the story is torn at ${label}`);
        const result = handhelds.get(step.serial)?.measure({
          substance,
          receiptScan: receipt.scanText,
          containerScan: label,
          lot: receipt.siteLot,
          method,
          operatorId: step.operator,
          now: addMs(noon, 1),
        });
        const isTrue = substance === SUBSTANCE_OF[receipt.material];
        const what = `${substance} by ${method.id}, seed ${seed}, ${result?.score?.value}`;
        expect(result?.decision, what).toBe(isTrue ? 'pass' : 'fail');
        // Further from the threshold than the recheck's tolerance, so that it never decides.
        expect(
          Math.abs(Number(result?.score?.value) - Number(method.threshold)),
          what,
        ).toBeGreaterThan(0.03);
      }
    }
  });
});
