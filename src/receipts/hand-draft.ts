import { type Instant, parseTimestamp } from '../formats/instant.js';
import { formatInZone } from '../formats/time-zone.js';
import { readWallTime } from '../formats/wall-time.js';
import {
  type Column,
  type ExpectationFault,
  LineReader,
  type ReceiptLine,
} from './expectation-line.js';
import { containerKey } from './label.js';
import { readLabelList } from './label-list.js';

/** What a person writes of a receipt line, field by field. */
export const HAND_FIELDS = [
  'receiptId',
  'receiptNumber',
  'line',
  'material',
  'manufacturer',
  'supplier',
  'supplierLot',
  'siteLot',
  'quantity',
  'area',
  'receivedAt',
  'dockCount',
  'countedBy',
  'retestAt',
  'scanText',
  /** Receipt that the containers left, and how they come again; both or neither. */
  'comesFrom',
  'comesAs',
  /** One label, range or scan a line. */
  'containers',
] as const;
export type HandField = (typeof HAND_FIELDS)[number];
export type HandDraft = Readonly<Record<HandField, string>>;

/** A label as it was written, where it is not kept so letter by letter. */
export interface ReadOtherwise {
  readonly written: string;
  readonly read: string;
}

export type HandRead =
  | {
      readonly ok: true;
      readonly line: ReceiptLine;
      readonly otherwise: readonly ReadOtherwise[];
    }
  | { readonly ok: false; readonly faults: readonly HandFault[] };

export interface HandFault {
  readonly field: HandField;
  readonly message: string;
  readonly remedy: string;
}

/**
 * Reads what a person wrote. Nothing is corrected: what breaks a rule is named at its field, and what is read
 * otherwise than it was written is said.
 */
export function readHandDraft(draft: HandDraft, timeZone: string): HandRead {
  const faults: HandFault[] = [];
  const cells = new Map<Column, string>();
  for (const field of HAND_FIELDS) {
    if (field === 'containers') continue;
    const text = draft[field].trim();
    const instant = field === 'receivedAt' || field === 'retestAt';
    cells.set(columnOf(field), instant ? instantText(field, text, timeZone, faults) : text);
  }
  const items = draft.containers
    .split(/\r\n|\r|\n/u)
    .map((item) => item.trim())
    .filter((item) => item !== '');
  const reader = new LineReader(0, cells, items);
  const line = reader.receiptLine();
  if (!cells.get('material')) {
    faults.push({ field: 'material', message: 'no material is named', remedy: 'Write its code.' });
  }
  faults.push(...reader.faults.map(handFault));
  if (faults.length > 0) return { ok: false, faults };
  const otherwise = items
    .map((written) => ({ written, read: containerKey(written) }))
    .filter(({ written, read }) => !written.includes('..') && written !== read);
  return { ok: true, line, otherwise };
}

/** What is in force of a receipt, as a person would write it. */
export function draftOf(line: ReceiptLine, timeZone: string): HandDraft {
  const at = (instant: Instant | null) =>
    instant === null ? '' : formatInZone(instant, timeZone).replace('.000000', '');
  return {
    receiptId: line.receiptId,
    receiptNumber: line.receiptNumber ?? '',
    line: line.line ?? '',
    material: line.material ?? '',
    manufacturer: line.manufacturer ?? '',
    supplier: line.supplier ?? '',
    supplierLot: line.supplierLot ?? '',
    siteLot: line.siteLot ?? '',
    quantity: line.quantity ?? '',
    area: line.area ?? '',
    receivedAt: at(line.receivedAt),
    dockCount: line.dockCount === null ? '' : String(line.dockCount),
    countedBy: line.countedBy ?? '',
    retestAt: at(line.retestAt),
    scanText: line.scanText,
    comesFrom: line.comesFrom?.receiptId ?? '',
    comesAs: line.comesFrom?.as ?? '',
    containers: asRanges(line.containers).join('\n'),
  };
}

/** Running numbers as ranges, where reading the range gives just these labels again; three or more in a row. */
function asRanges(labels: readonly string[]): string[] {
  const written: string[] = [];
  let run: string[] = [];
  const end = () => {
    const range = `${run[0] ?? ''}..${run.at(-1) ?? ''}`;
    const isRange = run.length >= RUN_MIN && readLabelList([range]).labels.join() === run.join();
    written.push(...(isRange ? [range] : run));
    run = [];
  };
  for (const label of labels) {
    if (run.length > 0 && following(run.at(-1) ?? '') !== label) end();
    run.push(label);
  }
  end();
  return written;
}

const RUN_MIN = 3;

/** The label that a range goes on with; null behind one without a number at its end. */
function following(label: string): string | null {
  const [, before, digits] = /^(.*?)(\d{1,12})$/u.exec(label) ?? [];
  if (before === undefined || digits === undefined) return null;
  return `${before}${String(Number(digits) + 1).padStart(digits.length, '0')}`;
}

export const EMPTY_DRAFT: HandDraft = Object.fromEntries(
  HAND_FIELDS.map((field) => [field, '']),
) as Record<HandField, string>;

/** Date and time by the clocks of the site, or with an offset where a person writes one. */
function instantText(
  field: HandField,
  text: string,
  timeZone: string,
  faults: HandFault[],
): string {
  if (text === '' || parseTimestamp(text) !== null) return text;
  const read = readWallTime(text, timeZone);
  if (read.ok) return read.text;
  const remedy =
    'Write date and time as in 2026-03-04 09:15, with its offset where clocks changed.';
  faults.push({ field, message: read.message, remedy });
  return '';
}

function columnOf(field: HandField): Column {
  return field.replace(/[A-Z]/gu, (letter) => `_${letter.toLowerCase()}`) as Column;
}

/** A fault at the field that it is about; one about the line as a whole at the receipt id. */
export function handFault({ column, message, remedy }: ExpectationFault): HandFault {
  const name = column.replace(/_([a-z])/gu, (_, letter: string) => letter.toUpperCase());
  const field = HAND_FIELDS.find((known) => known === name) ?? 'receiptId';
  return { field, message, remedy };
}
