import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { forUpdate } from '../storage/dialect.js';
import { bounded } from '../storage/prepared.js';
import type { AccountOperatorRow, AccountRow } from '../storage/tables.js';
import type { Person } from './caller.js';
import { parseRole, rightsOfRoles } from './rights.js';
import { foldName, foldOperatorId } from './user-name.js';

/** Writes a new account; false when its user name is, or ever was, somebody's. */
export async function insertAccount(trx: Trx, row: AccountRow): Promise<boolean> {
  const inserted = await trx
    .insertInto('account')
    .values(row)
    .onConflict((on) => on.doNothing())
    .executeTakeFirst();
  return (inserted.numInsertedOrUpdatedRows ?? 0n) > 0n;
}

export function findAccount(db: Reader, id: string): Promise<AccountRow | undefined> {
  return db.selectFrom('account').selectAll().where('id', '=', id).executeTakeFirst();
}

export function findAccountByName(db: Reader, userName: string): Promise<AccountRow | undefined> {
  return db
    .selectFrom('account')
    .selectAll()
    .where('user_name_folded', '=', foldName(userName))
    .executeTakeFirst();
}

/** Locks an account for a change of it. */
export function lockAccount(trx: Trx, id: string): Promise<AccountRow | undefined> {
  const query = trx.selectFrom('account').selectAll().where('id', '=', id);
  return forUpdate(trx, query, 'account').executeTakeFirst();
}

/** Locks every account in id order: who counts administrators must not count beside another who does. */
export async function lockAccounts(trx: Trx): Promise<AccountRow[]> {
  const query = trx.selectFrom('account').selectAll().orderBy('id');
  return forUpdate(trx, query, 'account').execute();
}

export function listAccounts(db: Reader): Promise<AccountRow[]> {
  return db.selectFrom('account').selectAll().orderBy('user_name_folded').execute();
}

export async function anyAccount(db: Reader): Promise<boolean> {
  const row = await db.selectFrom('account').select('id').limit(1).executeTakeFirst();
  return row !== undefined;
}

/** The person of an account at a site: roles and operator ids are read anew for every request. */
export async function personOf(db: Reader, account: AccountRow, site: string): Promise<Person> {
  const granted = await db
    .selectFrom('account_role')
    .select('role')
    .where('account_id', '=', account.id)
    .where('site', '=', site)
    .orderBy('role')
    .execute();
  const operators = await db
    .selectFrom('account_operator')
    .select(['operator_id', 'ended_at'])
    .where('account_id', '=', account.id)
    .where('site', '=', site)
    .orderBy('operator_folded')
    .execute();
  const inForce = operators.filter((row) => row.ended_at === null);
  const roles = granted.map(({ role }) => parseRole(role)).filter((role) => role !== null);
  return {
    accountId: account.id,
    userName: account.user_name,
    printedName: account.printed_name,
    site,
    roles,
    rights: rightsOfRoles(roles),
    operatorIds: inForce.map((row) => row.operator_id),
    everOperatorIds: operators.map((row) => row.operator_id),
    mustChangePassword: account.must_change_password === 1,
  };
}

/** Puts these roles in the place of those that the account has at the site. */
export async function replaceRoles(
  trx: Trx,
  of: { readonly accountId: string; readonly site: string },
  roles: readonly string[],
  granted: { readonly at: Instant; readonly by: string },
): Promise<void> {
  await trx
    .deleteFrom('account_role')
    .where('account_id', '=', of.accountId)
    .where('site', '=', of.site)
    .execute();
  if (roles.length === 0) return;
  await trx
    .insertInto('account_role')
    .values(
      roles.map((role) => ({
        account_id: of.accountId,
        site: of.site,
        role,
        granted_at: granted.at,
        granted_by: granted.by,
      })),
    )
    .execute();
}

/** Accounts in force that hold a role at a site. */
export async function activeHolders(db: Reader, site: string, role: string): Promise<string[]> {
  const rows = await db
    .selectFrom('account_role')
    .innerJoin('account', 'account.id', 'account_role.account_id')
    .select('account.id')
    .where('account_role.site', '=', site)
    .where('account_role.role', '=', role)
    .where('account.deactivated_at', 'is', null)
    .execute();
  return rows.map(({ id }) => id);
}

/** Whose which operator ids of a site are, or were until they were taken; by `foldOperatorId`. */
export async function operatorOwners(
  db: Reader,
  site: string,
): Promise<ReadonlyMap<string, AccountOperatorRow>> {
  const rows = await db
    .selectFrom('account_operator')
    .selectAll()
    .where('site', '=', site)
    .execute();
  // As they are folded now: what was stored before may be folded less far.
  return new Map(rows.map((row) => [foldOperatorId(row.operator_id), row]));
}

/** Texts read at once while every operator of a site is looked through. */
const OPERATORS_CHUNK = 500;

/** Which of these operator ids, by `foldOperatorId`, some result of the site was reported under. */
export async function operatorsMeasured(
  db: Reader,
  site: string,
  folded: ReadonlySet<string>,
): Promise<ReadonlySet<string>> {
  const found = new Set<string>();
  if (folded.size === 0) return found;
  for (let after: string | null = ''; after !== null; ) {
    const rows: { operator_id: string | null }[] = await db
      .selectFrom('result')
      .select('operator_id')
      .distinct()
      .where('site', '=', site)
      .where('operator_id', '>', after)
      .orderBy('operator_id')
      .limit(bounded(OPERATORS_CHUNK))
      .execute();
    const texts = rows.flatMap((row) => row.operator_id ?? []);
    for (const text of texts) {
      const id = foldOperatorId(text);
      if (folded.has(id)) found.add(id);
    }
    after = rows.length < OPERATORS_CHUNK ? null : (texts.at(-1) ?? null);
  }
  return found;
}

/** Everything somebody may be named by in a free text: names of their account and the ids they measure under at a site. */
export async function namesOfAccount(
  db: Reader,
  site: string,
  accountId: string,
): Promise<readonly string[]> {
  const account = await findAccount(db, accountId);
  if (account === undefined) return [];
  const { userName, printedName, everOperatorIds } = await personOf(db, account, site);
  return [userName, printedName, ...everOperatorIds];
}

/** As `namesOfAccount`, of whoever measures under an id; the id alone where it belongs to no account. */
export async function namesOfOperator(
  db: Reader,
  site: string,
  operatorId: string,
): Promise<readonly string[]> {
  const owner = (await operatorOwners(db, site)).get(foldOperatorId(operatorId));
  if (owner === undefined) return [operatorId];
  return [operatorId, ...(await namesOfAccount(db, site, owner.account_id))];
}

/**
 * Puts these operator ids, which the account may have, in the place of those in force at the site. One that is left out is
 * ended and stays the account's; one that had ended is in force again.
 */
export async function replaceOperators(
  trx: Trx,
  of: { readonly accountId: string; readonly site: string },
  operatorIds: readonly string[],
  now: Instant,
): Promise<void> {
  const { accountId, site } = of;
  const owners = await operatorOwners(trx, site);
  const kept = new Map(operatorIds.map((id) => [foldOperatorId(id), id]));
  for (const [folded, row] of owners) {
    const id = kept.get(folded);
    const isLeftOut = id === undefined && row.account_id === accountId && row.ended_at === null;
    if (id === undefined && !isLeftOut) continue;
    await trx
      .updateTable('account_operator')
      .set(
        isLeftOut ? { ended_at: now } : { operator_id: id, account_id: accountId, ended_at: null },
      )
      .where('site', '=', site)
      .where('operator_folded', '=', row.operator_folded)
      .execute();
  }
  const added = [...kept].filter(([folded]) => !owners.has(folded));
  if (added.length === 0) return;
  await trx
    .insertInto('account_operator')
    .values(
      added.map(([operator_folded, operator_id]) => ({
        site,
        operator_folded,
        operator_id,
        account_id: accountId,
        ended_at: null,
      })),
    )
    .execute();
}

export async function setPassword(
  trx: Trx,
  id: string,
  password: { readonly hash: string; readonly at: Instant; readonly mustChange: boolean },
): Promise<void> {
  await trx
    .updateTable('account')
    .set({
      password: password.hash,
      password_set_at: password.at,
      must_change_password: password.mustChange ? 1 : 0,
    })
    .where('id', '=', id)
    .execute();
}

export async function setDeactivated(trx: Trx, id: string, at: Instant): Promise<void> {
  await trx.updateTable('account').set({ deactivated_at: at }).where('id', '=', id).execute();
}
