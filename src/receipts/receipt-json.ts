import type { SchemaCheck } from '../site/schema-faults.js';
import { schemaFaults } from '../site/schema-faults.js';
import { type Column, LineReader, type ReceiptLine } from './expectation-line.js';
import { readLabelList } from './label-list.js';
import type { SplitPart } from './receipt-changes.js';

/** What is wrong with a body, place by place. */
export type ReadBody<T> =
  | { readonly ok: true; readonly value: T }
  | { readonly ok: false; readonly faults: readonly string[] };

const FIELDS: Readonly<Record<string, Column>> = {
  receiptNumber: 'receipt_number',
  line: 'line',
  material: 'material',
  manufacturer: 'manufacturer',
  supplier: 'supplier',
  supplierLot: 'supplier_lot',
  siteLot: 'site_lot',
  quantity: 'quantity',
  area: 'area',
  receivedAt: 'received_at',
  dockCount: 'dock_count',
  countedBy: 'counted_by',
  retestAt: 'retest_at',
  scanText: 'scan_text',
};

/** JSON of one receipt line; what it must look like is `schemas/receipt-expectation.schema.json`. */
export function readReceiptJson(
  receiptId: string,
  body: unknown,
  check: SchemaCheck,
): ReadBody<ReceiptLine> {
  const shape = shapeFaults(body, check);
  if (shape.length > 0) return { ok: false, faults: shape };
  const fields = body as Readonly<Record<string, unknown>>;
  const cells = new Map<Column, string>([['receipt_id', receiptId]]);
  for (const [name, column] of Object.entries(FIELDS)) {
    const value = fields[name];
    if (value !== undefined && value !== null) cells.set(column, String(value));
  }
  const from = fields['comesFrom'] as { receiptId: string; as: string } | null | undefined;
  if (from) cells.set('comes_from', from.receiptId).set('comes_as', from.as);
  const reader = new LineReader(0, cells, fields['containers'] as string[]);
  const line = reader.receiptLine();
  if (reader.faults.length === 0) return { ok: true, value: line };
  const names = new Map(Object.entries(FIELDS).map(([name, column]) => [column, name]));
  const place = (column: string) => names.get(column as Column) ?? column;
  return {
    ok: false,
    faults: reader.faults.map((f) => `/${place(f.column)}: ${f.message} (${f.rule}). ${f.remedy}`),
  };
}

/** A change as asked for over HTTP. */
export type ChangeBody = { readonly reason: string } & (
  | { readonly change: 'cancel' }
  | {
      readonly change: 'relabel';
      readonly from: string;
      readonly to: string;
      readonly witness: string;
    }
  | { readonly change: 'split'; readonly parts: readonly SplitPart[] }
  | { readonly change: 'split-off'; readonly part: SplitPart }
  | {
      readonly change: 'merge';
      readonly parts: readonly string[];
      readonly scanText?: string;
      readonly quantity?: string;
    }
);

/** JSON of a change, ranges of labels written out; `schemas/receipt-change.schema.json`. */
export function readChangeJson(
  change: ChangeBody['change'],
  body: unknown,
  check: SchemaCheck,
): ReadBody<ChangeBody> {
  const named = typeof body === 'object' && body !== null ? { ...body, change } : body;
  const shape = shapeFaults(named, check);
  if (shape.length > 0) return { ok: false, faults: shape };
  const read = named as ChangeBody;
  if (read.change === 'split-off') {
    const { labels, faults } = readLabelList(read.part.containers);
    const [first] = faults;
    return first
      ? { ok: false, faults: [`/part/containers: ${first.message}`] }
      : { ok: true, value: { ...read, part: { ...read.part, containers: labels } } };
  }
  if (read.change !== 'split') return { ok: true, value: read };
  const parts: SplitPart[] = [];
  for (const [i, part] of read.parts.entries()) {
    const { labels, faults } = readLabelList(part.containers);
    const [first] = faults;
    if (first) return { ok: false, faults: [`/parts/${i}/containers: ${first.message}`] };
    parts.push({ ...part, containers: labels });
  }
  return { ok: true, value: { ...read, parts } };
}

function shapeFaults(body: unknown, check: SchemaCheck): string[] {
  return schemaFaults(check(body)).map(
    ({ path, message, remedy }) =>
      `${path.map((step) => `/${step}`).join('')}: ${message}. ${remedy}`,
  );
}

/** Entity tags a condition header names; null when the header is not there. */
export function namedTags(header: string | undefined): readonly string[] | '*' | null {
  if (header === undefined) return null;
  if (header.trim() === '*') return '*';
  return [...header.matchAll(/(?:W\/)?"([^"]*)"/gu)].map(([, tag = '']) => tag);
}
