import { containerKey, findLabelClashes } from './label.js';

/** A label that a container of a linked receipt has or had. */
export interface LinkedLabel {
  readonly receiptId: string;
  readonly label: string;
}

/**
 * Which of these labels a container of a linked receipt has or had, with that receipt: what went elsewhere may still
 * carry the text by which its receipt was scanned before, so that one scan would name two things.
 */
export function labelsElsewhere(
  linked: readonly LinkedLabel[],
  labels: readonly string[],
): ReadonlyMap<string, string> {
  const found = new Map<string, string>();
  const all = [...linked.map(({ label }) => label), ...labels];
  for (const { positions } of findLabelClashes(all)) {
    const there = linked[positions[0] ?? all.length];
    if (there === undefined) continue;
    for (const position of positions) {
      const label = labels[position - linked.length];
      if (label !== undefined) found.set(containerKey(label), there.receiptId);
    }
  }
  return found;
}
