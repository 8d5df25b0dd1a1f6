import type { Kysely } from 'kysely';
import type { Instant } from '../../formats/instant.js';
import { dialectOf } from '../dialect.js';

interface Before {
  account: { id: string };
  account_role: { site: string };
  account_operator: {
    site: string;
    operator_folded: string;
    operator_id: string;
    account_id: string;
    ended_at: Instant | null;
  };
  audit_entry: {
    id: string;
    site: string;
    at: Instant;
    action: string;
    subject_kind: string;
    subject_id: string;
    before: string | null;
    after: string | null;
  };
}

/**
 * An operator id that was taken from somebody was forgotten, and what they had measured under it nobody's. Ids are kept from
 * now on; those that the trail says were taken come back as ended, unless somebody else has them by now. And an account that
 * ended was somebody else's than the next one of the same person: that the two are one is said by an administrator. Who
 * answers for what a program proposes stands with its key.
 */
export async function up(db: Kysely<unknown>): Promise<void> {
  await db.schema.alterTable('account_operator').addColumn('ended_at', 'bigint').execute();
  await bringBack(db as Kysely<Before>);
  await db.schema
    .createTable('account_predecessor')
    .addColumn('predecessor_id', 'text', (c) => c.primaryKey())
    .addColumn('account_id', 'text', (c) => c.notNull())
    .addColumn('named_at', 'bigint', (c) => c.notNull())
    .addColumn('named_by', 'text', (c) => c.notNull())
    .execute();
  await db.schema
    .createIndex('account_predecessor_by_account')
    .on('account_predecessor')
    .column('account_id')
    .execute();
  await db.schema.alterTable('api_key').addColumn('responsible', 'text').execute();
  const { guardRows } = dialectOf(db);
  for (const action of ['update', 'delete'] as const) {
    const message = 'that two accounts are one person holds for good';
    await guardRows(db, { table: 'account_predecessor', action, message });
  }
  await guardRows(db, {
    table: 'account_operator',
    action: 'delete',
    message: 'operator ids are kept: what was measured under one must go on meaning one person',
  });
  await guardRows(db, {
    table: 'account_operator',
    action: 'update',
    when: 'new.site <> old.site or new.operator_folded <> old.operator_folded or (new.account_id <> old.account_id and old.ended_at is null)',
    message: 'an operator id in force belongs to one person',
  });
}

/** Ids that the trail says were taken, as ended. Exported for its test. */
export async function bringBack(db: Kysely<Before>): Promise<void> {
  const accounts = await db.selectFrom('account').select('id').execute();
  // Whoever takes an id from somebody is an administrator there.
  const sites = await db.selectFrom('account_role').select('site').distinct().execute();
  for (const { site } of sites) {
    for (const { id } of accounts) await bringBackOf(db, site, id);
  }
}

async function bringBackOf(db: Kysely<Before>, site: string, accountId: string): Promise<void> {
  const changes = await db
    .selectFrom('audit_entry')
    .select(['at', 'before', 'after'])
    .where('site', '=', site)
    .where('subject_kind', '=', 'account')
    .where('subject_id', '=', accountId)
    .where('action', '=', 'account.operators-changed')
    .orderBy('id', 'desc')
    .execute();
  for (const { at, before, after } of changes) {
    const kept = new Set(idsIn(after).map(folded));
    const taken = idsIn(before).filter((id) => !kept.has(folded(id)));
    for (const operatorId of taken) {
      const of = { site, operator_folded: folded(operatorId), operator_id: operatorId };
      await db
        .insertInto('account_operator')
        .values({ ...of, account_id: accountId, ended_at: at })
        .onConflict((on) => on.doNothing())
        .execute();
    }
  }
}

function idsIn(entry: string | null): string[] {
  const { operatorIds } = JSON.parse(entry ?? '{}') as { operatorIds?: string[] };
  return operatorIds ?? [];
}

/** As the table had them until now. */
function folded(id: string): string {
  return id.normalize('NFKC').trim().toUpperCase().toLowerCase().normalize('NFKC');
}
