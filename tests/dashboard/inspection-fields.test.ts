import { describe, expect, it } from 'vitest';
import { inspectionFields } from '../../src/dashboard/inspection-fields.js';
import { readInspection } from '../../src/statements/inspection-request.js';

const FORM = {
  shown: 'a'.repeat(64),
  attribute: 'labels',
  inspected: '32',
  nonconforming: '0',
  inspectedBy: 'A. Receiver (simulated)',
  inspectedAt: '2026-07-01T09:30',
  reason: 'count sheet 12',
  password: 'secret',
};

const read = (over: Record<string, unknown> = {}) =>
  readInspection(inspectionFields({ ...FORM, ...over }, 'Europe/London'));

describe('the fields of the form for a count', () => {
  it('are read as programs send them, with the time by the clocks of the site', () => {
    const { report } = read().request;
    expect(report).toMatchObject({ attribute: 'labels', inspected: 32, nonconforming: 0 });
    expect(report.inspectedAt.text).toMatch(/^2026-07-01T09:30:00(?:\.0+)?\+01:00$/);
    expect(report.inspectedAt.instant).toBe(Date.UTC(2026, 6, 1, 8, 30) * 1000);
  });

  it('are refused by name where they are no count, or no time that the clocks showed once', () => {
    for (const [name, value, words] of [
      ['inspected', '', 'inspected: expected a whole number'],
      ['inspected', '1.5', 'inspected: expected a whole number'],
      ['nonconforming', '-1', 'nonconforming: expected a whole number'],
      ['nonconforming', '1e3', 'nonconforming: expected a whole number'],
      ['inspectedAt', '', 'inspectedAt: found ""'],
      // Clocks went forward at 01:00 on 29 March 2026, and back at 02:00 on 25 October (EU Directive 2000/84/EC).
      ['inspectedAt', '2026-03-29T01:30', 'inspectedAt: clocks in Europe/London skip'],
      ['inspectedAt', '2026-10-25T01:30', 'inspectedAt: clocks in Europe/London show'],
    ] as const) {
      expect(() => read({ [name]: value })).toThrow(words);
    }
  });
});
