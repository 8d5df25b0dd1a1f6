import type { Instant } from '../formats/instant.js';
import type { Reader } from '../storage/database.js';
import type { AuditEntryRow, TrailCheckpointRow, TrailHeadRow } from '../storage/tables.js';

/** Rows a page holds: a trail is read in bounded memory, however long it is. */
const PAGE = 2_000;

/** Sites that have a trail. */
export async function trailSites(reader: Reader): Promise<string[]> {
  const rows = await reader
    .selectFrom('audit_entry')
    .select('site')
    .union(reader.selectFrom('trail_head').select('site'))
    .union(reader.selectFrom('trail_checkpoint').select('site'))
    .execute();
  return rows.map(({ site }) => site).sort();
}

/** Sealed entries by number, up to one that is given; of two that bear one number, by id. */
export async function* sealedPages(
  reader: Reader,
  site: string,
  upTo: number | null = null,
): AsyncGenerator<readonly AuditEntryRow[]> {
  let after: { sequence: number; id: string } | null = null;
  for (;;) {
    let query = reader
      .selectFrom('audit_entry')
      .selectAll()
      .where('site', '=', site)
      .where('sequence', 'is not', null)
      .$if(upTo !== null, (q) => q.where('sequence', '<=', upTo))
      .orderBy('sequence')
      .orderBy('id')
      .limit(PAGE);
    if (after !== null) {
      const { sequence, id }: { sequence: number; id: string } = after;
      query = query
        .where('sequence', '>=', sequence)
        .where((e) => e.or([e('sequence', '>', sequence), e('id', '>', id)]));
    }
    const rows: AuditEntryRow[] = await query.execute();
    if (rows.length > 0) yield rows;
    const last = rows.at(-1);
    if (rows.length < PAGE || last === undefined) return;
    after = { sequence: Number(last.sequence), id: last.id };
  }
}

export async function* unsealedPages(
  reader: Reader,
  site: string,
): AsyncGenerator<readonly AuditEntryRow[]> {
  let after = '';
  for (;;) {
    const rows = await reader
      .selectFrom('audit_entry')
      .selectAll()
      .where('site', '=', site)
      .where('sequence', 'is', null)
      .where('id', '>', after)
      .orderBy('id')
      .limit(PAGE)
      .execute();
    if (rows.length > 0) yield rows;
    if (rows.length < PAGE) return;
    after = rows.at(-1)?.id ?? after;
  }
}

/** Checkpoints of more than `after` entries and no more than `upTo`, by size; a page of them. */
export function checkpointsBetween(
  reader: Reader,
  site: string,
  of: { readonly after: number; readonly upTo: number },
): Promise<TrailCheckpointRow[]> {
  return reader
    .selectFrom('trail_checkpoint')
    .selectAll()
    .where('site', '=', site)
    .where('size', '>', of.after)
    .where('size', '<=', of.upTo)
    .orderBy('size')
    .limit(PAGE)
    .execute();
}

export function trailHeadOf(reader: Reader, site: string): Promise<TrailHeadRow | undefined> {
  return reader.selectFrom('trail_head').selectAll().where('site', '=', site).executeTakeFirst();
}

/**
 * The latest moment at which somebody worked on this database, by its own clock: for a copy, when it was made. By
 * it an entry has waited for its seal, however much later it is looked at. null when nobody ever worked.
 */
export async function lastHeardOf(reader: Reader): Promise<Instant | null> {
  const heard = (areLiving: boolean) =>
    reader
      .selectFrom('worker')
      .select((e) => e.fn.max('heartbeat_at').as('at'))
      .where('stopped_at', areLiving ? 'is' : 'is not', null)
      .executeTakeFirst();
  const at = (await heard(true))?.at ?? (await heard(false))?.at ?? null;
  return at === null ? null : (Number(at) as Instant);
}

/** Action of the entry that `drumline restore` writes into the database it made: the only one of a life yet to begin. */
export const RESTORED = 'instance.restored';

/**
 * True for a database that was restored and that nobody has started since: no sealer can have come by. A start gives it
 * its place, which ends this.
 */
export async function awaitsFirstStart(reader: Reader): Promise<boolean> {
  const waiting = await reader
    .selectFrom('instance')
    .select('id')
    .where('place', 'is', null)
    .where('recovering', '=', 'restored')
    .executeTakeFirst();
  return waiting !== undefined;
}
