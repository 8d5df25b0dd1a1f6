import { describe, expect, it } from 'vitest';
import {
  draftOf,
  EMPTY_DRAFT,
  type HandDraft,
  readHandDraft,
} from '../../src/receipts/hand-draft.js';
import { lookAlikes } from '../../src/receipts/near-miss.js';

const ZONE = 'Europe/London';
const draft = (changes: Partial<HandDraft>): HandDraft => ({
  ...EMPTY_DRAFT,
  receiptId: 'H-1',
  material: 'NQ-1001',
  containers: 'C-001..C-003',
  ...changes,
});

function faults(changes: Partial<HandDraft>) {
  const read = readHandDraft(draft(changes), ZONE);
  return read.ok ? [] : read.faults.map(({ field, message }) => `${field}: ${message}`);
}

describe('what a person writes of a receipt line', () => {
  it('is read by the clocks of the site, labels one a line, and corrected nowhere', () => {
    const read = readHandDraft(
      draft({
        receivedAt: '2026-07-06 08:15',
        dockCount: '5',
        supplierLot: '1E5',
        containers: 'C-001..C-003\r\n\r\n  aB; 7 \n(01)09521234543213(10)B1(21)0007',
      }),
      ZONE,
    );
    if (!read.ok) throw new Error(JSON.stringify(read.faults));
    expect(read.line).toMatchObject({
      supplierLot: '1E5',
      scanText: 'H-1',
      dockCount: 5,
      containers: ['C-001', 'C-002', 'C-003', 'aB; 7', '(01)09521234543213(10)B1(21)0007'],
    });
    expect(read.line.receivedAt).toBe(Date.UTC(2026, 6, 6, 7, 15) * 1000);
    expect(read.otherwise).toEqual([]);
  });

  it('and read otherwise than it was written is said', () => {
    const read = readHandDraft(
      draft({ containers: ']C1010952123454321310B1\u001d210007\nA  1' }),
      ZONE,
    );
    expect(read.ok && read.otherwise).toMatchObject([
      { read: '(01)09521234543213(10)B1(21)0007' },
      { written: 'A  1', read: 'A 1' },
    ]);
  });

  it('is refused field by field', () => {
    expect(faults({ material: '' })).toEqual(['material: no material is named']);
    expect(faults({ receiptId: '' })[0]).toContain('receiptId');
    expect(faults({ dockCount: 'three' })[0]).toContain('dockCount');
    expect(faults({ receivedAt: '2026-10-25 01:30' })[0]).toContain('receivedAt: clocks in');
    expect(faults({ containers: 'C-1\nC-1' })[0]).toContain('stands 2 times');
    // A wrong check digit, and a pallet: never one container.
    expect(faults({ containers: '(01)09521234543214(21)1' })).toHaveLength(1);
    expect(faults({ containers: '(00)095012345678903455' })).toHaveLength(1);
  });

  it('names the receipt that containers come from and how, both or neither, and not itself', () => {
    const both = { comesFrom: ' H-0 ', comesAs: 'returned' };
    const read = readHandDraft(draft(both), ZONE);
    if (!read.ok) throw new Error(JSON.stringify(read.faults));
    expect(read.line.comesFrom).toEqual({ receiptId: 'H-0', as: 'returned' });
    expect(draftOf(read.line, ZONE)).toMatchObject({ comesFrom: 'H-0', comesAs: 'returned' });
    const none = readHandDraft(draft({}), ZONE);
    expect(none.ok && 'comesFrom' in none.line).toBe(false);
    expect(faults({ comesFrom: 'H-0' })).toEqual([
      'comesAs: found comes_from "H-0" and comes_as "", expected a receipt id and one of returned, opened, repacked',
    ]);
    expect(faults({ comesAs: 'opened' })[0]).toContain('comesFrom: found');
    expect(faults({ ...both, comesAs: 'borrowed' })[0]).toContain('comesAs: found');
    expect(faults({ ...both, comesFrom: 'H-1' })).toEqual([
      'comesFrom: the receipt comes from itself',
    ]);
  });

  it('comes back to the form as it was, running numbers as ranges', () => {
    const containers = 'D-1\nC-008..C-011\nX\n7..9\n0099\n0100';
    const read = readHandDraft(draft({ containers, retestAt: '2027-01-01 00:00' }), ZONE);
    if (!read.ok) throw new Error(JSON.stringify(read.faults));
    const shown = draftOf(read.line, ZONE);
    expect(shown.containers).toBe(containers);
    expect(shown.retestAt).toBe('2027-01-01T00:00:00+00:00');
    expect(readHandDraft(shown, ZONE)).toMatchObject({ ok: true, line: read.line });
    const none = readHandDraft(draft({ containers: '' }), ZONE);
    expect(none.ok && draftOf(none.line, ZONE).containers).toBe('');
  });
});

describe('labels that look alike', () => {
  it('are different labels that differ in signs people mix up, and no running numbers', () => {
    expect(lookAlikes(['C-001', 'C-002', 'C-OO1', 'c001', 'D1', 'DI', 'E'])).toEqual([
      ['C-001', 'C-OO1', 'c001'],
      ['D1', 'DI'],
    ]);
    expect(lookAlikes(Array.from({ length: 200 }, (_, i) => `C-${i}`))).toEqual([]);
  });
});
