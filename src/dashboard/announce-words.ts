import type { HandField } from '../receipts/hand-draft.js';

/** What the fields of the form are called. */
export const HAND_LABELS: Readonly<Record<HandField, string>> = {
  receiptId: 'Receipt id',
  receiptNumber: 'Receipt number',
  line: 'Line',
  material: 'Material code',
  manufacturer: 'Manufacturer',
  supplier: 'Supplier',
  supplierLot: 'Supplier’s lot',
  siteLot: 'Site lot',
  quantity: 'Quantity',
  area: 'Receiving area',
  receivedAt: 'Received at',
  dockCount: 'Containers counted at the dock',
  countedBy: 'Counted by',
  retestAt: 'Retest or expiry date',
  scanText: 'Text that a scan of the receipt shows',
  comesFrom: 'Receipt the containers come from',
  comesAs: 'How they come again',
  containers: 'Containers',
};

export const HAND_HINTS: Readonly<Partial<Record<HandField, string>>> = {
  receiptId: 'By which this receipt line is known everywhere; it cannot be changed later.',
  material: 'Required. Letter by letter as the site has it.',
  quantity: 'With its unit, as on the delivery note.',
  receivedAt:
    'As 2026-03-04 09:15, by the clocks of the site. Only what is measured after it counts.',
  dockCount: 'Counted, not taken from the papers.',
  retestAt: 'As 2026-03-04 09:15. Ends what the receipt may be used for.',
  scanText: 'The receipt id when left empty.',
  comesFrom:
    'Only for containers that were here before: the id of the receipt they left. Once named it stays.',
  comesAs: 'With that id: returned, opened or repacked.',
  containers:
    'One a line: a label, a range of running numbers as C-001..C-040, or a scanned GS1 code with its serial number.',
};
