/** Runs of one epoch, both ends inclusive. */
export interface RunRange {
  readonly epoch: number;
  readonly from: number;
  readonly to: number;
}

interface Span {
  readonly from: number;
  readonly to: number;
}

/** Sorted, without overlap, neighbours joined. */
export function joinSpans(spans: readonly Span[]): readonly Span[] {
  const joined: { from: number; to: number }[] = [];
  for (const span of [...spans].sort((a, b) => a.from - b.from)) {
    const last = joined.at(-1);
    if (span.to < span.from) continue;
    if (last !== undefined && span.from <= last.to + 1) last.to = Math.max(last.to, span.to);
    else joined.push({ from: span.from, to: span.to });
  }
  return joined;
}

/** What of `spans` no span of `without` covers. */
export function subtractSpans(spans: readonly Span[], without: readonly Span[]): readonly Span[] {
  const holes = joinSpans(without);
  return joinSpans(spans).flatMap((span) => {
    const rest: Span[] = [];
    let from = span.from;
    for (const hole of holes) {
      if (hole.to < from) continue;
      if (hole.from > span.to) break;
      if (hole.from > from) rest.push({ from, to: hole.from - 1 });
      from = hole.to + 1;
    }
    if (from <= span.to) rest.push({ from, to: span.to });
    return rest;
  });
}

export function intersectSpans(a: readonly Span[], b: readonly Span[]): readonly Span[] {
  return subtractSpans(a, subtractSpans(a, b));
}

export function spansOfEpoch(ranges: readonly RunRange[], epoch: number): readonly Span[] {
  return ranges.filter((range) => range.epoch === epoch);
}

export function rangesOf(spans: readonly Span[], epoch: number): readonly RunRange[] {
  return spans.map(({ from, to }) => ({ epoch, from, to }));
}

/** Runs in words: `run 7` or `runs 7 to 9`. */
export function runsInWords({ from, to }: Span): string {
  return from === to ? `run ${from}` : `runs ${from} to ${to}`;
}
