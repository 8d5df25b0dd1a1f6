import { type Kysely, sql } from 'kysely';
import { dialectOf } from '../dialect.js';

/**
 * The addendum of a closed period lists every change in its order, also one back to what was listed before; and those of
 * discrepancies whoever made them. A mark says what the change made of its subject, so that none is lost between two rounds.
 *
 * What speaks against a drum with a serial number speaks against it wherever that is listed.
 */
export async function up(db: Kysely<unknown>): Promise<void> {
  await numberLines(db);
  await widenMarks(db);
  await setMarks(db);
  await markWhatIsMissing(db);
  await judgeSharedDrums(db);
}

/** Without the rule that a line is listed once in an addendum: the last state of what came back was missing by it. */
async function numberLines(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .createTable('period_line')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('addendum_id', 'text', (c) => c.notNull())
    .addColumn('number', 'integer', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    .addColumn('subject', 'text', (c) => c.notNull())
    .addColumn('detail', 'text', (c) => c.notNull())
    .addUniqueConstraint('period_change_number', ['site', 'addendum_id', 'number'])
    .execute();
  // In the order in which they were listed, so that an addendum that was shown still has its digest.
  await sql`insert into period_line (id, site, addendum_id, number, at, subject, detail)
    select id, site, addendum_id,
      row_number() over (partition by site, addendum_id order by at, id),
      at, subject, detail
    from period_change`.execute(db);
  await db.schema.dropTable('period_change').execute();
  await db.schema.alterTable('period_line').renameTo('period_change').execute();
  await db.schema
    .createIndex('period_change_by_subject')
    .on('period_change')
    .columns(['site', 'subject'])
    .execute();
  for (const action of ['update', 'delete'] as const) {
    await dialectOf(db).guardRows(db, {
      table: 'period_change',
      action,
      message: 'period_change rows are kept as written',
    });
  }
}

async function widenMarks(db: Kysely<unknown>): Promise<void> {
  for (const name of ['state', 'receipt_id', 'container_label']) {
    await db.schema.alterTable('comparison_mark').addColumn(name, 'text').execute();
  }
  // Few, and looked for in every round, beside however many that wait to be compared.
  await sql`create index comparison_mark_discrepancy on comparison_mark (site, n)
    where kind = 'discrepancy'`.execute(db);
}

const RESULT_MARK = `insert into comparison_mark (site, kind, subject, state, receipt_id, container_label)
  values (new.site, 'result', new.id, new.state, new.receipt_id, new.container_label)`;
const UNDER_WAY = "('due', 'building', 'sending')";

function stateMark(kind: string, state: string): string {
  return `insert into comparison_mark (site, kind, subject, state)
    values (new.site, ${kind}, new.id, ${state})`;
}

function differs(columns: readonly string[]): string {
  return columns.map((c) => `new.${c} is distinct from old.${c}`).join(' or ');
}

async function setMarks(db: Kysely<unknown>): Promise<void> {
  const dialect = dialectOf(db);
  await dropReaction(db, 'result_marked', 'result');
  await dialect.onChange(db, {
    name: 'result_marked',
    table: 'result',
    event: 'insert',
    run: RESULT_MARK,
  });
  await dropReaction(db, 'result_change_marked', 'result');
  const ofResult = ['state', 'receipt_id', 'container_label'];
  await dialect.onChange(db, {
    name: 'result_change_marked',
    table: 'result',
    event: 'update',
    columns: ofResult,
    when: differs(ofResult),
    run: RESULT_MARK,
  });
  await dropReaction(db, 'delivery_marked', 'delivery');
  await dialect.onChange(db, {
    name: 'delivery_marked',
    table: 'delivery',
    event: 'insert',
    run: stateMark("'delivery'", 'new.state'),
  });
  await dropReaction(db, 'delivery_change_marked', 'delivery');
  await dialect.onChange(db, {
    name: 'delivery_change_marked',
    table: 'delivery',
    event: 'update',
    columns: ['state', 'fault', 'reason'],
    when: `(new.state <> old.state
        and not (new.state in ${UNDER_WAY} and old.state in ${UNDER_WAY}))
      or ${differs(['fault', 'reason'])}`,
    // Another reason is compared; it is no other state.
    run: stateMark(
      "case when new.state = old.state then 'delivery-again' else 'delivery' end",
      'new.state',
    ),
  });
  await dialect.onChange(db, {
    name: 'discrepancy_opening_marked',
    table: 'discrepancy',
    event: 'insert',
    run: stateMark("'discrepancy'", "'opened'"),
  });
  await dialect.onChange(db, {
    name: 'discrepancy_closing_marked',
    table: 'discrepancy',
    event: 'update',
    columns: ['closed_at'],
    when: 'old.closed_at is null and new.closed_at is not null',
    run: stateMark("'discrepancy'", "'closed'"),
  });
}

async function dropReaction(db: Kysely<unknown>, name: string, table: string): Promise<void> {
  const { isShared } = dialectOf(db);
  await sql.raw(`drop trigger ${name}${isShared ? ` on ${table}` : ''}`).execute(db);
  if (isShared) await sql.raw(`drop function ${name}()`).execute(db);
}

/**
 * What changed since a period was signed and is in none of its addenda is marked, for the next round to note: what events
 * opened and closed, and where something stands that was listed, when that is not what was listed last.
 */
async function markWhatIsMissing(db: Kysely<unknown>): Promise<void> {
  const change = (said: 'opened' | 'closed') => `
    select d.site, d.id, '${said}' as state, d.${said}_at as at
    from discrepancy d
    join period p on p.site = d.site and d.counts_from >= p.from_at and d.counts_from < p.to_at
    where d.${said}_at > p.closed_at
      and not exists (
        select 1 from period_change c
        where c.site = d.site and c.subject = d.subject and c.at = d.${said}_at
          and substr(c.detail, 1, length(d.class || ' ${said}: ')) = d.class || ' ${said}: ')`;
  await sql
    .raw(
      `insert into comparison_mark (site, kind, subject, state)
       select site, 'discrepancy', id, state
       from (${change('opened')} union all ${change('closed')}) missing
       order by at, state desc`,
    )
    .execute(db);
  await sql`insert into comparison_mark (site, kind, subject)
    select r.site, 'result', r.id from result r
    where exists (
      select 1 from period_change c
      where c.site = r.site and c.subject = 'result:' || r.id
        and substr(c.detail, 1, length('result ' || r.result_id || ', ')) =
          'result ' || r.result_id || ', ')`.execute(db);
  await sql`insert into comparison_mark (site, kind, subject)
    select d.site, 'delivery', d.id from delivery d
    join result r on r.id = d.subject_id
    where d.subject_kind = 'result'
      and exists (
        select 1 from period_change c
        where c.site = d.site and c.subject = 'result:' || r.id
          and substr(c.detail, 1, length('result ' || r.result_id || ' at ' || d.destination || ' is ')) =
            'result ' || r.result_id || ' at ' || d.destination || ' is ')
      and not exists (
        select 1 from delivery later
        where later.site = d.site and later.subject_kind = 'result'
          and later.subject_id = d.subject_id and later.destination = d.destination
          and (later.subject_revision > d.subject_revision
            or (later.subject_revision = d.subject_revision and later.build > d.build)))`.execute(
    db,
  );
}

/**
 * Found by every label that a container carried. Judged anew is what lists a drum of another receipt; and what is linked, since
 * its source may have such a drum, or been refused after containers left it.
 */
async function judgeSharedDrums(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .createIndex('container_relabel_by_key')
    .on('container_relabel')
    .columns(['site', 'old_key'])
    .execute();
  await sql`update receipt set evaluation_due = 1
    where announced = 1 and (linked = 1 or exists (
      select 1 from container mine
      join container other on other.site = mine.site and other.normalised = mine.normalised
        and other.receipt_id <> mine.receipt_id
      where mine.site = receipt.site and mine.receipt_id = receipt.id
        and mine.normalised like '(01)%(21)%'))`.execute(db);
}
