import { describe, expect, it } from 'vitest';
import { type Instant, parseTimestamp } from '../../src/formats/instant.js';
import { parseExpectation } from '../../src/receipts/expectation.js';
import { expectationCsv } from '../../src/simulation/expectation-rows.js';
import { northquayDay } from '../../src/simulation/northquay-day.js';
import { LIMS_SCHEDULE } from '../../src/simulation/northquay-faults.js';
import { SUBSTANCE_OF } from '../../src/simulation/story.js';

const story = northquayDay({ auditedManufacturer: 'Audited (simulated)' });
const drums = story.receipts.flatMap((r) => r.drums);
const of = <K extends (typeof story.steps)[number]['do']>(kind: K) =>
  story.steps.filter((s): s is Extract<(typeof story.steps)[number], { do: K }> => s.do === kind);

describe('the Northquay day', () => {
  it('is a day of eight receipts and 40 to 70 drums, every label once', () => {
    expect(story.receipts).toHaveLength(8);
    expect(drums.length).toBeGreaterThanOrEqual(40);
    expect(drums.length).toBeLessThanOrEqual(70);
    expect(new Set(drums.map((d) => d.label)).size).toBe(drums.length);
  });

  it('announces its receipts in a file the gateway takes', () => {
    const at = parseTimestamp('2026-07-04T08:00:00+01:00')?.instant as Instant;
    const read = parseExpectation(expectationCsv(story.receipts, at, 'Europe/London'));
    if (!read.ok) throw new Error(JSON.stringify(read.faults));
    expect(read.lines.map((l) => l.receiptId)).toEqual(story.receipts.map((r) => r.id));
    for (const [i, line] of read.lines.entries()) {
      expect(line.receivedAt).toBe(at);
      expect(line.dockCount).toBe(line.containers.length);
      expect(line.containers).toEqual(story.receipts[i]?.drums.map((d) => d.label));
    }
  });

  it('puts a wrong drum into every receipt that a naive system would release', () => {
    const wrong = story.receipts
      .filter((r) => r.drums.some((d) => d.holds !== SUBSTANCE_OF[r.material]))
      .map((r) => r.expected);
    expect(wrong.sort()).toEqual([
      'does-not-conform',
      'does-not-conform',
      'incomplete',
      'incomplete',
    ]);
    for (const receipt of story.receipts.filter((r) => r.expected === 'conforms')) {
      expect(receipt.drums.every((d) => d.holds === SUBSTANCE_OF[receipt.material])).toBe(true);
    }
  });

  it('holds a second shipment of a lot that conforms', () => {
    const [first, , second] = story.receipts;
    expect([first?.siteLot, first?.expected]).toEqual([second?.siteLot, 'conforms']);
    expect(second?.expected).toBe('incomplete');
  });

  it('has a bundle sent twice, one lost, one spoilt, and a handheld that syncs last', () => {
    expect(
      of('sync')
        .map((s) => s.how)
        .sort(),
    ).toEqual(['lost', 'once', 'once', 'once', 'once', 'once', 'once', 'spoilt', 'twice']);
    const late = of('sync').findIndex((s) => s.serial === 'NQ-R-0004');
    expect(late).toBeGreaterThan(of('sync').findIndex((s) => s.how === 'spoilt'));
  });

  it('keeps the lost and the spoilt bundle and the late handheld at the west dock', () => {
    const west = new Set(['NQ-R-0003', 'NQ-R-0004']);
    for (const step of of('sync')) {
      if (step.how === 'lost' || step.how === 'spoilt') expect(west.has(step.serial)).toBe(true);
    }
    const area = new Map(story.receipts.flatMap((r) => r.drums.map((d) => [d.label, r.area])));
    for (const step of of('measure')) {
      expect(area.get(step.drum)).toBe(west.has(step.serial) ? 'west-dock' : 'east-dock');
    }
  });

  it('changes a drum only after its receipt was released, and measures it again', () => {
    const at = (test: (s: (typeof story.steps)[number]) => boolean) => story.steps.findIndex(test);
    const released = at((s) => s.do === 'wait-released');
    const changed = at((s) => s.do === 'change');
    const drum = of('change')[0]?.drum;
    expect(changed).toBeGreaterThan(released);
    expect(story.steps.slice(changed).some((s) => s.do === 'measure' && s.drum === drum)).toBe(
      true,
    );
    expect(
      story.receipts.filter((r) => r.expectsStop).flatMap((r) => r.drums.map((d) => d.label)),
    ).toContain(drum);
  });

  it('has LIMS refuse exactly the result that the story declares', () => {
    const refused = of('measure').filter((s) => s.refusedByLims);
    expect(refused.map((s) => s.drum)).toEqual(LIMS_SCHEDULE.byBody.map((rule) => rule.holds[0]));
  });

  it('checks every handheld before and after it measures, from sync to sync', () => {
    const open = new Map<string, string[]>();
    for (const step of story.steps) {
      if (step.do === 'sync') {
        const runs = (open.get(step.serial) ?? []).filter((kind, i, all) => kind !== all[i - 1]);
        if (runs.length > 0 && step.how === 'once') expect(runs.at(-1)).toBe('check');
        open.set(step.serial, []);
      } else if (step.do === 'check' || step.do === 'measure' || step.do === 'measure-chosen') {
        const kind = step.do === 'check' ? 'check' : 'measure';
        open.set(step.serial, [...(open.get(step.serial) ?? []), kind]);
      }
    }
  });
});
