import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { safeFileName } from '../../src/cli/safe-file-name.js';

describe('safeFileName', () => {
  it.each([
    ['NQ-R-0001_17.a', 'NQ-R-0001_17.a'],
    ['a/b\\c:d', 'a%2Fb%5Cc%3Ad'],
    ['..', '%2E%2E'],
    ['.hidden', '%2Ehidden'],
    ['ends.', '%65nds%2E'],
    ['CON', '%43ON'],
    ['nul.txt', '%6Eul.txt'],
    ['100%', '100%25'],
    ['é ~', '%C3%A9%20%7E'],
  ])('writes %j as %j', (id, name) => {
    expect(safeFileName(id)).toBe(name);
  });

  it('cuts a long id and keeps it apart from every other by a digest', () => {
    const a = safeFileName(`${'x'.repeat(400)}a`);
    const b = safeFileName(`${'x'.repeat(400)}b`);
    expect(a).not.toBe(b);
    expect(a.length).toBeLessThanOrEqual(160);
    expect(safeFileName('')).toMatch(/^~[0-9a-f]{32}$/);
  });

  it('gives safe names, different for different ids', () => {
    const id = fc.string({ unit: 'grapheme', maxLength: 80 });
    fc.assert(
      fc.property(id, id, (a, b) => {
        expect(safeFileName(a)).toMatch(/^[A-Za-z0-9_%~-][A-Za-z0-9_.%~-]{0,159}$/);
        expect(safeFileName(a) === safeFileName(b)).toBe(a === b);
      }),
      { numRuns: 300 },
    );
  });
});
