import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { readLabelList } from '../../src/receipts/label-list.js';

function read(...items: string[]): string[] {
  const list = readLabelList(items);
  expect(list.faults).toEqual([]);
  return [...list.labels];
}

function faults(...items: string[]): string[] {
  return readLabelList(items).faults.map(({ item, rule }) => `${item} ${rule}`);
}

describe('a list of container labels', () => {
  it('writes ranges of running numbers out, zeros and text kept', () => {
    expect(read('C-001..C-003', 'X-9')).toEqual(['C-001', 'C-002', 'C-003', 'X-9']);
    expect(read('9..11')).toEqual(['9', '10', '11']);
    expect(read('A1B-099..A1B-101')).toEqual(['A1B-099', 'A1B-100', 'A1B-101']);
    expect(read(' D-7..D-7 ')).toEqual(['D-7']);
    expect(read('C-001..C-040')).toHaveLength(40);
  });

  it.each([
    ['C-001..D-040', 'same text'],
    ['C-040..C-001', 'down'],
    ['C-01..C-040', 'as many'],
    ['C-001..', 'end in a number'],
    ['C-..C-9', 'end in a number'],
    ['A..B', 'end in a number'],
  ])('refuses %s as a range, and says why', (item, why) => {
    const [fault] = readLabelList([item]).faults;
    expect(fault).toMatchObject({ rule: 'range', item: 0 });
    expect(fault?.message).toContain(why);
  });

  it('never reads a GS1 element string as a range', () => {
    expect(read('(01)09521234543213(21)1..3')).toEqual(['(01)09521234543213(21)1..3']);
  });

  it('refuses ranges that overlap, naming both places, and a label that lies in a range', () => {
    const { faults: found } = readLabelList(['C-001..C-005', 'C-005..C-006']);
    expect(found).toHaveLength(1);
    expect(found[0]).toMatchObject({ rule: 'duplicate-label', item: 1 });
    expect(found[0]?.message).toContain('"C-005" stands 2 times (places 1 ("C-001..C-005"), 2 (');
    expect(faults('C-001..C-005', 'C-003')).toEqual(['1 duplicate-label']);
  });

  it('names a long overlap by its first labels and a count', () => {
    const { faults: found } = readLabelList(['C-0001..C-9000', 'C-0001..C-9000']);
    expect(found).toHaveLength(21);
    expect(found.at(-1)?.message).toBe('8980 more labels stand more than once');
  });

  it('takes twenty thousand labels and refuses one more, however they are written', () => {
    expect(read('C-00001..C-20000')).toHaveLength(20_000);
    expect(faults('C-00001..C-20001')).toEqual(['0 too-many']);
    expect(faults('C-00001..C-20000', 'X')).toEqual(['1 too-many']);
    expect(faults('1..999999999999', 'X')).toEqual(['0 too-many']);
  });

  it('names every label that cannot stand for one container', () => {
    expect(
      faults('', 'A\u0007', '(00)106141410000000019', '(01)09521234543214(21)1', 'x'.repeat(201)),
    ).toEqual([
      '0 empty-label',
      '1 control-character',
      '2 not-one-container',
      '3 gs1',
      '4 too-long',
    ]);
    expect(faults('\u200b')).toEqual(['0 empty-label']);
    expect(read(']d20109521234543213217\u001d10B')).toHaveLength(1);
  });

  it('property: a range holds as many different labels as its numbers say, first and last as written', () => {
    const range = fc.record({
      prefix: fc.constantFrom('', 'C-', 'DRUM ', 'A1-'),
      from: fc.nat(5000),
      count: fc.integer({ min: 1, max: 500 }),
      width: fc.constantFrom(0, 6),
    });
    fc.assert(
      fc.property(range, ({ prefix, from, count, width }) => {
        const label = (n: number) => `${prefix}${String(n).padStart(width, '0')}`;
        const labels = read(`${label(from)}..${label(from + count - 1)}`);
        expect(new Set(labels).size).toBe(count);
        expect([labels[0], labels.at(-1)]).toEqual([label(from), label(from + count - 1)]);
      }),
    );
  });
});
