import type { Query } from './doubts.js';

/**
 * How much the gateway has still to do by its own word: deliveries that are to be sent, or of which it must still find out what
 * became of them, and bundles that nobody has settled. Some of it may be held by a worker that is gone, and is then
 * taken up only when that one is declared dead: books that look right until then prove nothing about it.
 */
export async function countUnderWay(query: Query): Promise<number> {
  const rows = await query(
    `select (select count(*) from delivery where state in ('due', 'building', 'sending', 'uncertain'))
          + (select count(*) from bundle where state = 'received') as count`,
  );
  return Number((rows[0] as { count: unknown } | undefined)?.count);
}
