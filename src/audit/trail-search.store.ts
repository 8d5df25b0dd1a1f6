import { sql } from 'kysely';
import type { Reader } from '../storage/database.js';
import type { AuditEntryRow } from '../storage/tables.js';
import type { TrailFilter, TrailPlace } from './trail-filter.js';

/**
 * Entries of a site that fit, the latest first, from behind a place on.
 *
 * @param filter with another name for `actor`: the account of who has that user name, null where nobody has
 */
export function searchTrail(
  reader: Reader,
  site: string,
  filter: TrailFilter & { readonly alsoActor: string | null },
  page: { readonly behind: TrailPlace | null; readonly limit: number },
): Promise<AuditEntryRow[]> {
  const { from, to, actor, alsoActor, action, subject, reason } = filter;
  let query = reader.selectFrom('audit_entry').selectAll().where('site', '=', site);
  if (from !== null) query = query.where('at', '>=', from);
  if (to !== null) query = query.where('at', '<', to);
  if (actor !== null) query = query.where('actor', 'in', [actor, alsoActor ?? actor]);
  if (action !== null) query = query.where(contains('action', `${escaped(action)}%`));
  if (subject !== null) query = query.where('subject_id', '=', subject);
  if (reason !== null) query = query.where(contains('reason', `%${escaped(reason)}%`));
  const { behind } = page;
  if (behind !== null) {
    query = query
      .where('at', '<=', behind.at)
      .where((e) => e.or([e('at', '<', behind.at), e('id', '<', behind.id)]));
  }
  return query.orderBy('at', 'desc').orderBy('id', 'desc').limit(page.limit).execute();
}

function contains(column: 'action' | 'reason', pattern: string) {
  return sql<boolean>`lower(${sql.ref(column)}) like lower(${pattern}) escape '!'`;
}

function escaped(text: string): string {
  return text.replace(/[!%_]/g, (sign) => `!${sign}`);
}
