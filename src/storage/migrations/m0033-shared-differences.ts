import { type Kysely, sql } from 'kysely';

/**
 * Every field in which a listed message differs, and the deliveries behind a difference that many records share: it ends with
 * the last of them. Behind one that is open stands whatever the sweep that found it may have listed. Sweeps under way
 * begin their lists anew, since their notes name one field only.
 */
export async function up(db: Kysely<unknown>): Promise<void> {
  await sql`delete from sweep_item`.execute(db);
  await sql`update sweep set state = 'listing', cursor = '', pages = 0, items = 0, counts = '{}'
    where finished_at is null`.execute(db);
  await db.schema.alterTable('sweep_item').dropColumn('field').execute();
  await db.schema
    .alterTable('sweep_item')
    .addColumn('differences', 'text', (c) => c.notNull().defaultTo('[]'))
    .execute();
  await db.schema
    .createTable('shared_difference')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('destination', 'text', (c) => c.notNull())
    .addColumn('delivery_id', 'text', (c) => c.notNull())
    .addColumn('message', 'text', (c) => c.notNull())
    .addColumn('field', 'text', (c) => c.notNull())
    .addPrimaryKeyConstraint('shared_difference_pk', ['site', 'destination', 'delivery_id'])
    .execute();
  await db.schema
    .createIndex('shared_difference_by_field')
    .on('shared_difference')
    .columns(['site', 'destination', 'message', 'field', 'delivery_id'])
    .execute();
  // Ten minutes beyond its period: as far as a sweep lists.
  await sql`insert into shared_difference (site, destination, delivery_id, message, field)
    select d.site, d.destination, d.id, d.subject_kind,
      min(substr(f.subject, length('field:' || d.destination || ':' || d.subject_kind || ':') + 1))
    from discrepancy as f
    join sweep as s on s.site = f.site and s.destination = f.destination
      and s.created_at <= f.opened_at
      and (s.finished_at is null or s.finished_at >= f.opened_at)
    join delivery as d on d.site = f.site and d.destination = f.destination
      and d.state in ('accepted', 'confirmed')
      and coalesce(d.accepted_at, d.confirmed_at) >= s.from_at - 600000000
      and coalesce(d.accepted_at, d.confirmed_at) < s.to_at + 600000000
    where f.class = 'differs' and f.closed_at is null
      and substr(f.subject, 1, length('field:' || d.destination || ':' || d.subject_kind || ':'))
        = 'field:' || d.destination || ':' || d.subject_kind || ':'
    group by d.site, d.destination, d.id, d.subject_kind`.execute(db);
}
