import { type Instant, parseTimestamp } from '../formats/instant.js';
import { LABEL_LENGTH_MAX, normaliseLabel } from './label.js';
import { readLabelList } from './label-list.js';
import { CONTAINERS_MAX, SCANNED_ID_PREFIX } from './receipt-bounds.js';

/** One receipt line as ERP or a CSV announces it, with the containers that arrived. */
export interface ReceiptLine {
  readonly receiptId: string;
  readonly receiptNumber: string | null;
  readonly line: string | null;
  readonly material: string | null;
  readonly manufacturer: string | null;
  readonly supplier: string | null;
  readonly supplierLot: string | null;
  readonly siteLot: string | null;
  readonly quantity: string | null;
  readonly area: string | null;
  readonly receivedAt: Instant | null;
  readonly dockCount: number | null;
  readonly countedBy: string | null;
  readonly retestAt: Instant | null;
  /** Normalised; the receipt id when the file gives none. */
  readonly scanText: string;
  readonly containers: readonly string[];
  /** The receipt its containers were before, and what happened to them; absent for a delivery from outside. */
  readonly comesFrom?: { readonly receiptId: string; readonly as: Comeback };
}

/** Containers that come again, as a receipt of their own (rule 19). */
export type Comeback = 'returned' | 'opened' | 'repacked';
export const COMEBACKS: readonly Comeback[] = ['returned', 'opened', 'repacked'];

export interface ExpectationFault {
  /** Line of the file, from 1; 0 for the whole file. */
  readonly line: number;
  /** Column name, or '' for the whole line. */
  readonly column: string;
  readonly rule: string;
  /** Found against expected. */
  readonly message: string;
  readonly remedy: string;
}

export const EXPECTATION_COLUMNS = [
  'receipt_id',
  'receipt_number',
  'line',
  'material',
  'manufacturer',
  'supplier',
  'supplier_lot',
  'site_lot',
  'quantity',
  'area',
  'received_at',
  'dock_count',
  'counted_by',
  'retest_at',
  'scan_text',
  'containers',
  'comes_from',
  'comes_as',
] as const;
export type Column = (typeof EXPECTATION_COLUMNS)[number];

/** C0, DEL and C1 controls: nothing a label or an id shows. */
const CONTROLS = /\p{Cc}/u;

/** Reads one line cell by cell and collects what is wrong with it. */
export class LineReader {
  readonly faults: ExpectationFault[] = [];

  constructor(
    private readonly line: number,
    private readonly cells: ReadonlyMap<Column, string>,
    /** Labels, where they come as a list and not in one cell. */
    private readonly labels: readonly string[] | null = null,
  ) {}

  receiptLine(): ReceiptLine {
    const receiptId = this.receiptId();
    return {
      receiptId,
      receiptNumber: this.text('receipt_number'),
      line: this.text('line'),
      material: this.text('material'),
      manufacturer: this.text('manufacturer'),
      supplier: this.text('supplier'),
      supplierLot: this.text('supplier_lot'),
      siteLot: this.text('site_lot'),
      quantity: this.text('quantity'),
      area: this.text('area'),
      receivedAt: this.instant('received_at'),
      dockCount: this.count('dock_count'),
      countedBy: this.text('counted_by'),
      retestAt: this.instant('retest_at'),
      scanText: normaliseLabel(this.text('scan_text') ?? receiptId),
      containers: this.containers(),
      ...this.comesFrom(receiptId),
    };
  }

  private receiptId(): string {
    const id = this.text('receipt_id') ?? '';
    if (id === '') {
      this.add(
        'receipt_id',
        'required',
        'the receipt id is empty',
        'Write the id by which the receipt line is known.',
      );
    } else if (id.startsWith(SCANNED_ID_PREFIX)) {
      this.add(
        'receipt_id',
        'reserved',
        `"${id}" begins with "${SCANNED_ID_PREFIX}", which is kept for receipts that only a scan named`,
        'Use another id.',
      );
    }
    return id;
  }

  private comesFrom(receiptId: string): Pick<ReceiptLine, 'comesFrom'> {
    const from = this.text('comes_from');
    const as = this.text('comes_as');
    if (from === null && as === null) return {};
    const kind = COMEBACKS.find((known) => known === as);
    if (from === null || kind === undefined) {
      this.add(
        from === null ? 'comes_from' : 'comes_as',
        'comeback',
        `found comes_from "${from ?? ''}" and comes_as "${as ?? ''}", expected a receipt id and one of ${COMEBACKS.join(', ')}`,
        'Name both, or neither for a delivery from outside.',
      );
      return {};
    }
    if (from === receiptId) {
      this.add(
        'comes_from',
        'comeback',
        'the receipt comes from itself',
        'Give containers that come again a receipt of their own.',
      );
    }
    return { comesFrom: { receiptId: from, as: kind } };
  }

  private text(column: Column): string | null {
    const value = (this.cells.get(column) ?? '').trim();
    if (value === '') return null;
    this.checkText(column, value);
    return value;
  }

  private checkText(column: Column, value: string): void {
    if (value.length > LABEL_LENGTH_MAX) {
      this.add(
        column,
        'too-long',
        `found ${value.length} characters, expected at most ${LABEL_LENGTH_MAX}`,
        'Shorten the text; it is never cut.',
      );
    }
    if (CONTROLS.test(value)) {
      this.add(
        column,
        'control-character',
        'the text holds a control character',
        'Remove it; nothing printed shows it.',
      );
    }
  }

  private instant(column: 'received_at' | 'retest_at'): Instant | null {
    const value = this.text(column);
    if (value === null) return null;
    const parsed = parseTimestamp(value);
    if (parsed) return parsed.instant;
    this.add(
      column,
      'instant',
      `found "${value}", expected date, time and offset as in 2026-03-04T09:15:00+00:00`,
      'Write the instant with its offset from UTC; in UTC it lies in the years 0000 to 9999.',
    );
    return null;
  }

  private count(column: 'dock_count'): number | null {
    const value = this.text(column);
    if (value === null) return null;
    if (/^\d{1,5}$/u.test(value) && Number(value) <= CONTAINERS_MAX) return Number(value);
    this.add(
      column,
      'count',
      `found "${value}", expected a whole number from 0 to ${CONTAINERS_MAX}`,
      'Write the number of containers counted at the dock.',
    );
    return null;
  }

  private containers(): string[] {
    const cell = this.cells.get('containers') ?? '';
    const items = this.labels ?? (cell.trim() === '' ? [] : cell.split(';'));
    const list = readLabelList(items);
    for (const { rule, message, remedy } of list.faults) {
      this.add('containers', rule, message, remedy);
    }
    return [...list.labels];
  }

  private add(column: Column, rule: string, message: string, remedy: string): void {
    this.faults.push(fault(this.line, column, rule, message, remedy));
  }
}

export function fault(
  line: number,
  column: string,
  rule: string,
  message: string,
  remedy: string,
): ExpectationFault {
  return { line, column, rule, message, remedy };
}
