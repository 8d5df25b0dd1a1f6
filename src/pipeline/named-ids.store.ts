import type { Trx } from '../storage/database.js';
import { dialectOf } from '../storage/dialect.js';
import { preparedInsertRows } from '../storage/prepared-rows.js';

/** Values bound in one `in (…)`. */
const CHUNK = 1000;

/**
 * Locks ids that a document names until the transaction ends, in their order and before anything is read by
 * them: of two processes that settle the same id at the same moment the second then finds what the first has
 * stored, and a result finds the one that supersedes it, or is found by it. Where one process owns the file,
 * its write transaction does that.
 */
export async function lockNamedIds(trx: Trx, site: string, ids: Iterable<string>): Promise<void> {
  if (!dialectOf(trx).isShared) return;
  const sorted = [...new Set(ids)].sort();
  const written = await insertIds(
    trx,
    sorted.map((id) => ({ site, id })),
  );
  if (written === sorted.length) return;
  for (let i = 0; i < sorted.length; i += CHUNK) {
    await trx
      .selectFrom('named_id')
      .select('id')
      .where('site', '=', site)
      .where('id', 'in', sorted.slice(i, i + CHUNK))
      .orderBy('id')
      .forUpdate()
      .execute();
  }
}

const insertIds = preparedInsertRows('named_id', ['site', 'id']);

/** Stands for what is said of the performance checks of one instrument: by a bundle, and by who signs a cause. */
export function performanceOf(serial: string): string {
  return `performance:${serial}`;
}
