import { describe, expect, it } from 'vitest';
import { formatInstant } from '../../src/formats/instant.js';
import { parseExpectation } from '../../src/receipts/expectation.js';

const header =
  'receipt_id,receipt_number,line,material,manufacturer,supplier,supplier_lot,site_lot,quantity,area,received_at,dock_count,counted_by,retest_at,scan_text,containers';

function faults(text: string, separator: ',' | ';' = ',') {
  const result = parseExpectation(text, { separator });
  return result.ok ? [] : result.faults.map((f) => `${f.line} ${f.column} ${f.rule}`);
}

describe('expectation file', () => {
  it('reads a receipt line with its containers', () => {
    const result = parseExpectation(
      `\uFEFF${header}\r\nR-1,4500012345,10,NQ-1001,Maker A,Trader B,SL7,NQ26-001,25.0 kg,east-dock,2026-03-04T09:15:00+01:00,2,J. Dock,,RC-0001, D-01 ; D-02\r\n`,
    );
    if (!result.ok) throw new Error(JSON.stringify(result.faults));
    expect(result.lines).toHaveLength(1);
    const [line] = result.lines;
    expect(line).toMatchObject({
      receiptId: 'R-1',
      receiptNumber: '4500012345',
      quantity: '25.0 kg',
      dockCount: 2,
      retestAt: null,
      scanText: 'RC-0001',
      containers: ['D-01', 'D-02'],
    });
    expect(formatInstant(line?.receivedAt ?? (0 as never))).toBe('2026-03-04T08:15:00.000000Z');
  });

  it('reads the semicolon as separator only when it is declared', () => {
    const text = 'receipt_id;material;containers\nR-1;NQ-1001;"D-01;D-02"\n';
    const declared = parseExpectation(text, { separator: ';' });
    expect(declared.ok && declared.lines[0]?.containers).toEqual(['D-01', 'D-02']);
    const plain = 'receipt_id;material;containers\nR-1;NQ-1001;D-01\n';
    expect(faults(plain)).toContain('1 receipt_id;material;containers unknown-column');
    expect(faults('receipt_id;material;containers\nR-1;NQ-1001;D-01;D-02\n', ';')).toEqual([
      '2  cell-count',
    ]);
  });

  it('shows the receipt id as scan text when the file gives none', () => {
    const result = parseExpectation('receipt_id,material,containers\n R-1 ,NQ-1001,D-01\n');
    expect(result.ok && result.lines[0]?.scanText).toBe('R-1');
  });

  it('names every fault with line, column and rule, and gives no line of a file with one', () => {
    const text = [
      'receipt_id,material,area,received_at,dock_count,scan_text,containers',
      ',NQ-1001,,,,,D-01',
      'R-2,NQ-1001,,2026-02-30T10:00:00Z,-1,,D-01;;D-02',
      'R-3,NQ-1001,,2026-03-04 10:00,1.5,RC,D-01; D-01',
      'scan:R-4,NQ-1001,,,20001,RC,(00)106141410000000019',
      'R-3,NQ-1001,,,,RC9,"A\u0007B"',
    ].join('\n');
    expect(faults(text)).toEqual([
      '2 receipt_id required',
      '3 received_at instant',
      '3 dock_count count',
      '3 containers empty-label',
      '4 received_at instant',
      '4 dock_count count',
      '4 containers duplicate-label',
      '5 receipt_id reserved',
      '5 dock_count count',
      '5 containers not-one-container',
      '5 scan_text twice-in-file',
      '6 containers control-character',
      '6 receipt_id twice-in-file',
    ]);
    const result = parseExpectation(text);
    expect(
      !result.ok && result.faults.every((f) => f.remedy.length > 10 && f.message.length > 10),
    ).toBe(true);
  });

  it('names missing, unknown and double columns, and an empty file', () => {
    expect(faults('receipt_id,materiel,containers,receipt_id\n')).toEqual([
      '1 materiel unknown-column',
      '1 receipt_id column-twice',
      '1 material missing-column',
    ]);
    expect(faults('\n\n')).toEqual(['0  empty-file']);
    expect(faults('receipt_id,material,containers\nR-1,"NQ\n')).toEqual(['2  csv']);
  });

  it('takes a receipt without containers and one with twenty thousand, and refuses one more', () => {
    const labels = Array.from({ length: 20_000 }, (_, i) => `D-${i}`).join(';');
    const head = 'receipt_id,material,containers\n';
    const many = parseExpectation(`${head}R-1,NQ-1001,${labels}\nR-2,NQ-1001,\n`);
    expect(many.ok && many.lines.map((l) => l.containers.length)).toEqual([20_000, 0]);
    expect(faults(`${head}R-1,NQ-1001,${labels};D-20000\n`)).toEqual(['2 containers too-many']);
  });

  it('reads ranges, and refuses those that overlap', () => {
    const head = 'receipt_id,material,containers\n';
    const result = parseExpectation(`${head}R-1,NQ-1001,C-001..C-003;X-1\n`);
    expect(result.ok && result.lines[0]?.containers).toEqual(['C-001', 'C-002', 'C-003', 'X-1']);
    expect(faults(`${head}R-1,NQ-1001,C-001..C-003;C-003..C-004\n`)).toEqual([
      '2 containers duplicate-label',
    ]);
    expect(faults(`${head}R-1,NQ-1001,C-001..D-003\n`)).toEqual(['2 containers range']);
  });

  it('rule 2: refuses duplicate container labels until they are relabelled', () => {
    const head = 'receipt_id,material,containers\n';
    expect(faults(`${head}R-1,NQ-1001,D-01;D-02;D-01\n`)).toEqual(['2 containers duplicate-label']);
    expect(faults(`${head}R-1,NQ-1001,D-01;D-02;D-03\n`)).toEqual([]);
  });
});
