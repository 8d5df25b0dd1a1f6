import type { Substance } from './published-shifts.js';
import type { ExpectedDiscrepancy, Story, StoryDrum, StoryReceipt, StoryStep } from './story.js';

/**
 * A day at the invented site Northquay, with everything in it that could make a receiving system release a
 * wrong drum although each part worked. East dock can conform; the lost bundle, the spoilt bundle and the
 * handheld that does not sync are at the west dock.
 */
const EAST_HTTP = 'NQ-R-0001';
const EAST_FOLDER = 'NQ-R-0002';
const WEST_HTTP = 'NQ-R-0003';
const WEST_FOLDER = 'NQ-R-0004';

/** Instruments that sync over HTTP; the others write into the watched folder. */
export const HTTP_INSTRUMENTS: ReadonlySet<string> = new Set([EAST_HTTP, WEST_HTTP]);

export const OPERATORS = [
  { id: 'op-11', name: 'Operator Eleven (simulated)' },
  { id: 'op-12', name: 'Operator Twelve (simulated)' },
  { id: 'op-13', name: 'Operator Thirteen (simulated)' },
] as const;

type Given = 'id' | 'scanText' | 'drums' | 'supplier';
type ReceiptTale = Omit<StoryReceipt, Given | 'manufacturer' | 'sampled'> &
  Partial<Pick<StoryReceipt, 'manufacturer' | 'sampled'>>;

export function northquayDay(options: {
  /** Manufacturer that the site folder's sampling plan for sulfur names. */
  readonly auditedManufacturer: string;
}): Story {
  const receipts = [
    receipt(1, 8, 'paracetamol', {
      material: 'NQ-1001',
      supplierLot: 'PX-2201',
      siteLot: 'NQL-0441',
      area: 'east-dock',
      expected: 'conforms',
      expectsStop: false,
      because: 'every drum passed; one bundle came twice and counted once',
    }),
    receipt(2, 6, 'cyclohexane', {
      material: 'NQ-1003',
      supplierLot: 'CH-0903',
      siteLot: 'NQL-0442',
      area: 'east-dock',
      expected: 'does-not-conform',
      expectsStop: true,
      because:
        'conformed and was released, then a changed drum failed: withdrawn before stock was issued',
    }),
    receipt(
      3,
      4,
      'paracetamol',
      {
        material: 'NQ-1001',
        supplierLot: 'PX-2201',
        siteLot: 'NQL-0441',
        area: 'east-dock',
        expected: 'incomplete',
        expectsStop: false,
        because: 'second shipment of a lot that conformed, not measured: judged by itself',
      },
      { 2: 'naphthalene' },
    ),
    receipt(
      4,
      7,
      'naphthalene',
      {
        material: 'NQ-1002',
        supplierLot: 'NA-7718',
        siteLot: 'NQL-0443',
        area: 'east-dock',
        expected: 'does-not-conform',
        expectsStop: false,
        because: 'one drum failed; LIMS also refused one passing result',
      },
      { 5: 'paracetamol' },
    ),
    receipt(5, 9, 'sulfur', {
      material: 'NQ-1004',
      manufacturer: options.auditedManufacturer,
      // Square root of 9, plus 1: a custom plan, named in the site folder.
      sampled: 4,
      supplierLot: 'SU-1200',
      siteLot: 'NQL-0444',
      area: 'east-dock',
      expected: 'conforms',
      expectsStop: false,
      because: 'the drums that the sampling plan chose passed',
    }),
    receipt(
      6,
      6,
      'paracetamol',
      {
        material: 'NQ-1001',
        supplierLot: 'PX-2207',
        siteLot: 'NQL-0445',
        area: 'west-dock',
        expected: 'incomplete',
        expectsStop: false,
        because:
          'a bundle with a failing drum was lost and the drum "passed" later: the run gap blocks',
      },
      { 3: 'sulfur' },
    ),
    receipt(7, 5, 'cyclohexane', {
      material: 'NQ-1003',
      supplierLot: 'CH-0911',
      siteLot: 'NQL-0446',
      area: 'west-dock',
      expected: 'incomplete',
      expectsStop: false,
      because: 'its bundle was changed on the way: held for its digest',
    }),
    receipt(
      8,
      6,
      'naphthalene',
      {
        material: 'NQ-1002',
        supplierLot: 'NA-7724',
        siteLot: 'NQL-0447',
        area: 'west-dock',
        expected: 'does-not-conform',
        expectsStop: false,
        because: 'a drum failed on a handheld that synced late, and "passed" on another before',
      },
      { 5: 'paracetamol' },
    ),
  ];
  return {
    receipts,
    steps: [...morning(), ...afternoon()],
    discrepancies: expectedDiscrepancies(),
  };
}

function morning(): StoryStep[] {
  return [
    { do: 'say', text: 'East dock measures four receipts; west dock measures three' },
    ...[EAST_HTTP, EAST_FOLDER, WEST_HTTP, WEST_FOLDER].map(check),
    ...measureDrums(EAST_HTTP, 1, [1, 2, 3, 4, 5, 6, 7, 8], 'op-11'),
    ...measureDrums(EAST_FOLDER, 2, [1, 2, 3, 4, 5, 6], 'op-12'),
    ...measureDrums(EAST_FOLDER, 4, [1, 2], 'op-12'),
    {
      do: 'measure',
      serial: EAST_FOLDER,
      drum: drumLabel(4, 3),
      operator: 'op-12',
      refusedByLims: true,
    },
    ...measureDrums(EAST_FOLDER, 4, [4, 5, 6, 7], 'op-12'),
    { do: 'measure-chosen', serial: EAST_HTTP, receipt: receiptId(5), operator: 'op-11' },
    // The failing drum of receipt 8 is measured on the handheld that stays unsynced, then "passes" on the
    // other one because its neighbour is measured under its label.
    ...measureDrums(WEST_FOLDER, 8, [5], 'op-13'),
    ...measureDrums(WEST_HTTP, 8, [1, 2, 3, 4, 6], 'op-13'),
    measureAs(WEST_HTTP, drumLabel(8, 4), drumLabel(8, 5), 'op-13'),
    ...[EAST_HTTP, EAST_FOLDER, WEST_HTTP].map(check),
    { do: 'wait-margin' },
    { do: 'say', text: `${EAST_HTTP} syncs over HTTP, and its sync PC sends the bundle again` },
    { do: 'sync', serial: EAST_HTTP, how: 'twice' },
    { do: 'say', text: `${EAST_FOLDER} syncs through the watched folder, ${WEST_HTTP} over HTTP` },
    { do: 'sync', serial: EAST_FOLDER, how: 'once' },
    { do: 'sync', serial: WEST_HTTP, how: 'once' },
  ];
}

function afternoon(): StoryStep[] {
  return [
    { do: 'say', text: `${WEST_HTTP}: a bundle with a failing drum never arrives` },
    check(WEST_HTTP),
    ...measureDrums(WEST_HTTP, 6, [1, 2, 3], 'op-13'),
    { do: 'sync', serial: WEST_HTTP, how: 'lost' },
    ...measureDrums(WEST_HTTP, 6, [1, 2], 'op-13'),
    measureAs(WEST_HTTP, drumLabel(6, 2), drumLabel(6, 3), 'op-13'),
    ...measureDrums(WEST_HTTP, 6, [4, 5, 6], 'op-13'),
    check(WEST_HTTP),
    { do: 'sync', serial: WEST_HTTP, how: 'once' },
    { do: 'say', text: `${WEST_HTTP}: a bundle is changed on the way` },
    ...measureDrums(WEST_HTTP, 7, [1, 2, 3, 4, 5], 'op-13'),
    check(WEST_HTTP),
    { do: 'sync', serial: WEST_HTTP, how: 'spoilt' },
    { do: 'say', text: 'Waiting until the stand-in ERP has released receipt 2' },
    { do: 'wait-released', receipt: receiptId(2) },
    { do: 'say', text: 'A drum of receipt 2 is changed after its pass, measured again, and fails' },
    { do: 'change', drum: drumLabel(2, 4), holds: 'paracetamol' },
    check(EAST_HTTP),
    ...measureDrums(EAST_HTTP, 2, [4], 'op-11'),
    check(EAST_HTTP),
    { do: 'sync', serial: EAST_HTTP, how: 'once' },
    { do: 'wait-blocked', receipt: receiptId(2) },
    { do: 'say', text: `${WEST_FOLDER} syncs at last; ${EAST_FOLDER} hands over an empty bundle` },
    check(WEST_FOLDER),
    { do: 'wait-margin' },
    { do: 'sync', serial: WEST_FOLDER, how: 'once' },
    { do: 'sync', serial: EAST_FOLDER, how: 'once' },
    { do: 'say', text: 'Waiting until the stand-in ERP has issued what it may' },
    { do: 'wait-issued', receipt: receiptId(1) },
    { do: 'wait-issued', receipt: receiptId(5) },
  ];
}

function expectedDiscrepancies(): Story['discrepancies'] {
  return [
    ...[1, 2, 3, 4].map((n) => notMeasured(drumLabel(3, n))),
    ...[1, 2, 3, 4, 5].map((n) => notMeasured(drumLabel(7, n))),
    { class: 'run-gap', mentions: [WEST_HTTP] },
    { class: 'held', mentions: [WEST_HTTP] },
    { class: 'rejected', mentions: ['result at lims'] },
  ];
}

function notMeasured(drum: string): ExpectedDiscrepancy {
  return { class: 'not-measured', mentions: [drum] };
}

function receipt(
  number: number,
  drums: number,
  holds: Substance,
  tale: ReceiptTale,
  others: Readonly<Record<number, Substance>> = {},
): StoryReceipt {
  return {
    manufacturer: 'Birchwater Chemicals (simulated)',
    supplier: 'Alderholt Trading (simulated)',
    sampled: drums,
    ...tale,
    id: receiptId(number),
    scanText: `NQ GR ${7300 + number}`,
    drums: Array.from({ length: drums }, (_, i): StoryDrum => {
      const n = i + 1;
      return { label: drumLabel(number, n), holds: others[n] ?? holds };
    }),
  };
}

export function receiptId(number: number): string {
  return `nq-${7300 + number}-1`;
}

export function drumLabel(receipt: number, drum: number): string {
  return `D${7300 + receipt}-${String(drum).padStart(2, '0')}`;
}

function check(serial: string): StoryStep {
  return { do: 'check', serial };
}

function measureDrums(
  serial: string,
  receipt: number,
  drums: readonly number[],
  operator: string,
): StoryStep[] {
  return drums.map((n) => ({ do: 'measure', serial, drum: drumLabel(receipt, n), operator }));
}

function measureAs(serial: string, drum: string, presents: string, operator: string): StoryStep {
  return { do: 'measure', serial, drum, presents, operator };
}
