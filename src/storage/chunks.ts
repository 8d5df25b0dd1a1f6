/** Values bound in one `in (…)`, or rows of one insert: far below what either database allows. */
const CHUNK = 1000;

/** A list in parts of at most `size`, for statements that bind one of them each. */
export function chunks<T>(all: readonly T[], size = CHUNK): T[][] {
  const out: T[][] = [];
  for (let i = 0; i < all.length; i += size) out.push(all.slice(i, i + size));
  return out;
}
