import type { Instant } from '../formats/instant.js';
import type { ReceiptLine } from './expectation-line.js';
import { containerKey, findLabelClashes, normaliseLabel } from './label.js';

/** Why a change was not made; nothing was written. */
export interface ChangeFault {
  readonly code:
    | 'receipt-unknown'
    | 'receipt-closed'
    | 'receipt-changed'
    | 'receipt-change-invalid'
    | 'right-missing';
  readonly detail: string;
}

export type Checked<T> =
  | { readonly ok: true; readonly value: T }
  | ({ readonly ok: false } & ChangeFault);

/** One part of a split. */
export interface SplitPart {
  readonly receiptId: string;
  /** What a scan of its label shows; the receipt id when left out. */
  readonly scanText?: string;
  readonly containers: readonly string[];
  readonly quantity?: string;
}

function invalid(detail: string): { readonly ok: false } & ChangeFault {
  return { ok: false, code: 'receipt-change-invalid', detail };
}

/**
 * Lines of the receipts that a split makes: each container of the whole goes to exactly one of them. What was announced of
 * the whole holds for every part. A count at the dock goes on only if it agreed with the list: a container that was
 * one too many or too few cannot be given to a part.
 */
export function splitLines(
  whole: ReceiptLine,
  parts: readonly SplitPart[],
): Checked<readonly ReceiptLine[]> {
  if (parts.length < 2) return invalid(`found ${parts.length} parts, expected at least 2`);
  const labels = new Map(whole.containers.map((label) => [containerKey(label), label]));
  const given = new Map<string, string>();
  const lines: ReceiptLine[] = [];
  const isCounted = whole.dockCount === whole.containers.length;
  for (const part of parts) {
    if (part.containers.length === 0) return invalid(`part ${part.receiptId} has no container`);
    const containers: string[] = [];
    for (const wanted of part.containers) {
      const key = containerKey(wanted);
      const label = labels.get(key);
      if (label === undefined) {
        return invalid(`part ${part.receiptId}: "${wanted}" is no container of ${whole.receiptId}`);
      }
      const other = given.get(key);
      if (other !== undefined) {
        return invalid(`container "${wanted}" is given to ${other} and to ${part.receiptId}`);
      }
      given.set(key, part.receiptId);
      containers.push(label);
    }
    const { comesFrom: _, ...kept } = whole;
    lines.push({
      ...kept,
      receiptId: part.receiptId,
      quantity: part.quantity ?? null,
      dockCount: isCounted ? containers.length : null,
      scanText: normaliseLabel(part.scanText ?? part.receiptId),
      containers,
    });
  }
  const left = [...labels].filter(([key]) => !given.has(key)).map(([, label]) => label);
  if (left.length > 0) {
    const some = left.slice(0, 5).join(', ');
    return invalid(
      `${left.length} containers are given to no part: ${some}${left.length > 5 ? ', …' : ''}`,
    );
  }
  return { ok: true, value: lines };
}

/** What a rejected container leaves and what it goes to. */
export interface SplitOffLines {
  readonly rest: ReceiptLine;
  readonly gone: ReceiptLine;
}

/** Lines of a receipt without some of its containers, and of the receipt they go to. */
export function splitOffLines(whole: ReceiptLine, part: SplitPart): Checked<SplitOffLines> {
  const wanted = new Set(part.containers.map(containerKey));
  const others = whole.containers.filter((label) => !wanted.has(containerKey(label)));
  if (others.length === 0) return invalid(`nothing would be left of ${whole.receiptId}`);
  const rest = { receiptId: whole.receiptId, scanText: whole.scanText, containers: others };
  const lines = splitLines(whole, [rest, part]);
  if (!lines.ok) return lines;
  const [, gone] = lines.value;
  if (gone === undefined) throw new Error('a split made no second part');
  const { dockCount } = whole;
  // Whoever counted at the dock counted those too that went since.
  const left = dockCount === null ? null : dockCount - gone.containers.length;
  return {
    ok: true,
    value: { rest: { ...whole, containers: others, dockCount: left }, gone },
  };
}

/** What has to be the same for containers to be one receipt line: it decides which results cover. */
const SAME = ['material', 'manufacturer', 'supplier', 'supplierLot', 'siteLot', 'area'] as const;

/**
 * Line of the receipt that a merge makes. Its parts agree in material, maker, supplier, lots and area; of their times the
 * strictest holds: the latest goods receipt, the earliest retest date.
 */
export function mergedLine(
  into: { readonly receiptId: string; readonly scanText?: string; readonly quantity?: string },
  parts: readonly ReceiptLine[],
): Checked<ReceiptLine> {
  const [first] = parts;
  if (first === undefined || parts.length < 2) {
    return invalid(`found ${parts.length} receipts, expected at least 2`);
  }
  for (const part of parts) {
    const field = SAME.find((name) => part[name] !== first[name]);
    if (field === undefined) continue;
    return invalid(
      `${field} is "${first[field] ?? ''}" at ${first.receiptId} and "${part[field] ?? ''}" at ${part.receiptId}`,
    );
  }
  const containers = parts.flatMap((part) => part.containers);
  const [clash] = findLabelClashes(containers);
  if (clash) return invalid(`"${clash.normalised}" stands in more than one of them; relabel first`);
  const counts = parts.map((p) => (p.dockCount === p.containers.length ? p.dockCount : null));
  const received = parts.map((p) => p.receivedAt);
  const retests = parts.map((p) => p.retestAt).filter((at) => at !== null);
  const { comesFrom: _, ...kept } = first;
  return {
    ok: true,
    value: {
      ...kept,
      receiptId: into.receiptId,
      receiptNumber: same(parts.map((p) => p.receiptNumber)),
      line: same(parts.map((p) => p.line)),
      quantity: into.quantity ?? null,
      receivedAt: received.includes(null) ? null : latest(received.filter((at) => at !== null)),
      dockCount: counts.includes(null) ? null : containers.length,
      countedBy: same(parts.map((p) => p.countedBy)),
      retestAt: retests.length === 0 ? null : earliest(retests),
      scanText: normaliseLabel(into.scanText ?? into.receiptId),
      containers,
    },
  };
}

function same(values: readonly (string | null)[]): string | null {
  return values.every((value) => value === values[0]) ? (values[0] ?? null) : null;
}

function latest(of: readonly Instant[]): Instant {
  return Math.max(...of) as Instant;
}

function earliest(of: readonly Instant[]): Instant {
  return Math.min(...of) as Instant;
}
