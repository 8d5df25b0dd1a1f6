import fc from 'fast-check';
import jsonata from 'jsonata';
import { describe, expect, it } from 'vitest';
import { barePathSteps, compileBarePath } from '../../src/mapping/bare-path.js';

describe('bare paths', () => {
  it.each(['a', 'record.receipt.scanned', '_x.y9'])('takes %s as a bare path', (text) => {
    expect(barePathSteps(text)).toEqual(text.split('.'));
  });

  it.each([
    'a[0]',
    'a.*',
    'a & b',
    'true',
    'null',
    'a.in',
    '$x',
    'a..b',
    '',
    ' a',
    '`a b`',
    '1',
    'a.b()',
  ])('leaves %j to JSONata', (text) => {
    expect(compileBarePath(text)).toBeNull();
  });

  it('never follows what an object inherits', () => {
    for (const path of ['constructor', 'toString', 'a.constructor', '__proto__', 'a.__proto__.b']) {
      expect(compileBarePath(path)?.({ a: {} })).toBeUndefined();
    }
  });

  it('yields a list for a path through a list, also of one and of none', () => {
    const get = compileBarePath('c.label');
    expect(get?.({ c: [{ label: 'x' }, {}, { label: ['y', 'z'] }] })).toEqual(['x', 'y', 'z']);
    expect(get?.({ c: [{ label: 'x' }] })).toEqual(['x']);
    expect(get?.({ c: [] })).toEqual([]);
  });

  it('finds what JSONata finds by the same path', async () => {
    // Outside reference: jsonata, which unwraps lists of one and drops empty ones.
    const leaf = fc.oneof(fc.string(), fc.integer(), fc.boolean());
    const { node } = fc.letrec<{ node: unknown }>((tie) => ({
      node: fc.oneof(
        { depthSize: 'small' },
        leaf,
        fc.record({ a: tie('node'), b: tie('node') }, { requiredKeys: [] }),
        fc.array(tie('node'), { maxLength: 3 }),
      ),
    }));
    const path = fc.array(fc.constantFrom('a', 'b'), { minLength: 1, maxLength: 3 });
    await fc.assert(
      fc.asyncProperty(fc.record({ a: node, b: node }), path, async (subject, steps) => {
        const text = steps.join('.');
        const expected: unknown = await jsonata(text).evaluate(subject);
        const found = compileBarePath(text)?.(subject);
        expect(unwrapped(found)).toEqual(unwrapped(expected));
      }),
      { numRuns: 300 },
    );
  });
});

/** One form for a value, a list of it and lists in lists; JSONata's own marks on its lists dropped. */
function unwrapped(value: unknown): unknown {
  if (value === undefined) return [];
  return JSON.parse(JSON.stringify([value].flat(9))) as unknown;
}
