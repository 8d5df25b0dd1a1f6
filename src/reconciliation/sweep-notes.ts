import type { Difference } from '../delivery/read-back-answer.js';
import type { DeliveryRow, SweepItemRow, SweepRow } from '../storage/tables.js';
import type { HeldVerdict } from './sweep-rules.js';

/**
 * What a sweep notes of a delivery that a list or a question showed.
 *
 * @param kept the destination's own number as it may be kept, how many messages, and how its words may be kept
 */
export function noteOf(
  sweep: Pick<SweepRow, 'id'>,
  delivery: Pick<DeliveryRow, 'id' | 'subject_kind'>,
  { verdict, differences, detail }: HeldVerdict,
  kept: {
    readonly number: string | null;
    readonly count: number;
    readonly text: (words: string) => string;
  },
): SweepItemRow {
  const found = differences.map((d) => ({ field: d.field, detail: kept.text(d.detail) }));
  return {
    sweep_id: sweep.id,
    delivery_id: delivery.id,
    message: delivery.subject_kind,
    number: kept.number,
    count: kept.count,
    verdict,
    differences: JSON.stringify(found),
    detail: detail === null ? null : kept.text(detail),
  };
}

/** One page is one answer: what stands on it twice is there twice. */
export function together(page: readonly SweepItemRow[]): readonly SweepItemRow[] {
  const all = new Map<string, SweepItemRow>();
  for (const item of page) {
    const key = JSON.stringify([item.delivery_id, item.number]);
    const before = all.get(key);
    const both = before === undefined ? item : { ...item, ...worse(before, item) };
    all.set(key, { ...both, count: (before?.count ?? 0) + item.count });
  }
  return [...all.values()];
}

type Verdict = Pick<SweepItemRow, 'verdict' | 'differences' | 'detail'>;

const BY_WEIGHT = ['equal', 'differs', 'not-effective', 'unsent'] as const;

/** What is noted of a delivery that another page shows too; under the same number it is the same record. */
export function seenAgain(before: SweepItemRow, item: SweepItemRow): SweepItemRow {
  const isSameRecord = item.number !== null && item.number === before.number;
  const count = isSameRecord ? Math.max(before.count, item.count) : before.count + item.count;
  return { ...before, ...worse(before, item), count };
}

function worse(one: Verdict, other: Verdict): Verdict {
  const weightOf = ({ verdict }: Verdict) => BY_WEIGHT.indexOf(verdict);
  const { verdict, detail } = weightOf(other) > weightOf(one) ? other : one;
  const found = new Map(
    [...differencesOf(one), ...differencesOf(other)].reverse().map((d) => [d.field, d]),
  );
  return { verdict, detail, differences: JSON.stringify([...found.values()].reverse()) };
}

/** Every field in which a listed message is not what was sent. */
export function differencesOf({ differences }: Pick<SweepItemRow, 'differences'>): Difference[] {
  return JSON.parse(differences) as Difference[];
}
