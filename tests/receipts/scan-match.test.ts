import { describe, expect, it } from 'vitest';
import { matchScan, type ScanTargets } from '../../src/receipts/scan-match.js';

const target = (receiptId: string, ...labels: string[]) => ({
  receiptId,
  material: 'NQ-1001',
  area: 'east-dock',
  receivedAt: null,
  labels: new Map(labels.map((l) => [l, l])),
});
const targets: ScanTargets = {
  byScanText: new Map([
    ['RC-1', target('R-1', 'D-01', 'D-02')],
    ['RC-2', target('R-2', 'D-01')],
  ]),
  knownScanTexts: ['RC-1', 'RC-2'],
};

describe('matching a scan', () => {
  it('finds receipt and container by the scanned texts, blanks aside', () => {
    expect(matchScan(targets, { receipt: ' RC-1', container: 'D-02 ' })).toMatchObject({
      kind: 'receipt',
      receiptId: 'R-1',
      containerLabel: 'D-02',
    });
  });

  it('tells the same label in two receipts apart by the receipt, never by the container alone', () => {
    expect(matchScan(targets, { receipt: 'RC-2', container: 'D-01' })).toMatchObject({
      receiptId: 'R-2',
    });
    expect(matchScan(targets, { receipt: null, container: 'D-01' })).toEqual({
      kind: 'no-receipt-scan',
    });
    expect(matchScan(targets, { receipt: '  ', container: 'D-01' })).toEqual({
      kind: 'no-receipt-scan',
    });
  });

  it('takes every spelling of one GS1 element string for the same container, and nothing near it', () => {
    const gs1 = (container: string) =>
      matchScan(
        {
          byScanText: new Map([['RC-1', target('R-1', '(01)09521234543213(10)B1(21)0007')]]),
          knownScanTexts: [],
        },
        { receipt: 'RC-1', container },
      );
    const label = { containerLabel: '(01)09521234543213(10)B1(21)0007' };
    expect(gs1(']d2010952123454321310B1\u001d210007')).toMatchObject(label);
    expect(gs1('(21)0007(01)09521234543213(10)B1')).toMatchObject(label);
    for (const near of ['(01)09521234543213(10)B1(21)007', '(01)09521234543213(21)0007']) {
      expect(gs1(near)).toMatchObject({ containerLabel: null });
    }
  });

  it('suggests near misses and takes none of them', () => {
    expect(matchScan(targets, { receipt: 'RC-1', container: 'D-O1' })).toMatchObject({
      containerLabel: null,
    });
    expect(matchScan(targets, { receipt: 'rc-1', container: 'D-01' })).toEqual({
      kind: 'unknown-receipt',
      scanText: 'rc-1',
      nearMisses: ['RC-1', 'RC-2'],
    });
  });
});
