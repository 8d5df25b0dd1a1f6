import { describe, expect, it } from 'vitest';
import { booksDocument, emptyBooks } from '../../src/simulation/books.js';
import { demoSummary } from '../../src/simulation/demo-summary.js';
import { demoVerdict, type GatewayCounts } from '../../src/simulation/demo-verdict.js';
import type { MeasuredResult, Story } from '../../src/simulation/story.js';
import { goodWorld } from './support/world.js';

const { truth } = goodWorld();
const story: Story = {
  receipts: truth.receipts,
  steps: [],
  discrepancies: [{ class: 'not-measured', mentions: ['late-1'] }],
};
const judgement = {
  sinks: { lost: 0, double: 0, outOfOrder: 0, different: 0, wrongRelease: 0 },
  findings: [],
};
const measured: MeasuredResult[] = truth.measured;
const counts: GatewayCounts = {
  expected: 8,
  measured: 5,
  accepted: 5,
  held: 0,
  refused: 0,
  delivered: 5,
  confirmed: 5,
  statements: { conforms: 1, doesNotConform: 1, incomplete: 1 },
  stops: 0,
  discrepancies: [{ class: 'not-measured', subject: 'late:late-1', detail: '' }],
};
const world = { story, measured, judgement, problems: [] };

describe('the verdict on a demo', () => {
  it('is fine when judge, counts and discrepancies are as the story has them', () => {
    const { report, complaints } = demoVerdict(counts, world);
    expect(complaints).toEqual([]);
    const discrepancies = [{ class: 'not-measured', subject: 'late:late-1' }];
    expect(report).toEqual({ ...counts, discrepancies, sinks: judgement.sinks, ok: true });
  });

  it('is not fine when any number differs', () => {
    const changed: Partial<GatewayCounts>[] = [
      { expected: 9 },
      { measured: 4 },
      { accepted: 4 },
      { held: 1 },
      { refused: 1 },
      { delivered: 4 },
      { confirmed: 4 },
      { stops: 1 },
      { statements: { conforms: 2, doesNotConform: 1, incomplete: 0 } },
    ];
    for (const change of changed) {
      const { report, complaints } = demoVerdict({ ...counts, ...change }, world);
      expect(report.ok, JSON.stringify(change)).toBe(false);
      expect(complaints.length).toBeGreaterThan(0);
    }
  });

  it('is not fine when a discrepancy is missing or one too many is there', () => {
    expect(demoVerdict({ ...counts, discrepancies: [] }, world).complaints).toHaveLength(1);
    const more = [...counts.discrepancies, { class: 'absent', subject: 'delivery:x', detail: '' }];
    expect(demoVerdict({ ...counts, discrepancies: more }, world).complaints).toEqual([
      'discrepancy absent delivery:x is not in the story',
    ]);
  });

  it('is not fine when the judge found something or the story waited in vain', () => {
    const found = {
      sinks: { ...judgement.sinks, wrongRelease: 1 },
      findings: ['wrongRelease: D-1'],
    };
    expect(demoVerdict(counts, { ...world, judgement: found }).report.ok).toBe(false);
    expect(demoVerdict(counts, { ...world, problems: ['waited in vain'] }).report.ok).toBe(false);
  });

  it('names every discrepancy and complaint in the summary, and says that all is simulated', () => {
    const verdict = demoVerdict({ ...counts, confirmed: 4 }, world);
    const text = demoSummary(verdict, story, {
      erp: booksDocument(emptyBooks()),
      misdeeds: [['stand-in LIMS', new Map([['hang', 2]])]],
    });
    expect(text).toContain('late:late-1');
    expect(text).toContain('confirmed: the gateway counts 4, the story 5');
    expect(text).toContain('stand-in LIMS misbehaved on purpose: hang 2');
    expect(text).toContain('simulated');
    expect(text).toContain('the quality unit releases');
  });
});
