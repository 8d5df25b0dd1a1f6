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
      containerNearMisses: [],
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

  it('suggests near misses and takes none of them', () => {
    expect(matchScan(targets, { receipt: 'RC-1', container: 'D-O1' })).toMatchObject({
      containerLabel: null,
      containerNearMisses: ['D-01', 'D-02'],
    });
    expect(matchScan(targets, { receipt: 'rc-1', container: 'D-01' })).toEqual({
      kind: 'unknown-receipt',
      scanText: 'rc-1',
      nearMisses: ['RC-1', 'RC-2'],
    });
  });
});
