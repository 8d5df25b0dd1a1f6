import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { forUpdate } from '../storage/dialect.js';
import type { AccountRow } from '../storage/tables.js';
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
    .select('operator_id')
    .where('account_id', '=', account.id)
    .where('site', '=', site)
    .orderBy('operator_folded')
    .execute();
  const roles = granted.map(({ role }) => parseRole(role)).filter((role) => role !== null);
  return {
    accountId: account.id,
    userName: account.user_name,
    printedName: account.printed_name,
    site,
    roles,
    rights: rightsOfRoles(roles),
    operatorIds: operators.map((row) => row.operator_id),
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

/** Which account measures under which of these folded ids. */
export async function operatorOwners(
  db: Reader,
  site: string,
  folded: readonly string[],
): Promise<Map<string, string>> {
  if (folded.length === 0) return new Map();
  const rows = await db
    .selectFrom('account_operator')
    .select(['operator_folded', 'account_id'])
    .where('site', '=', site)
    .where('operator_folded', 'in', folded)
    .execute();
  return new Map(rows.map((row) => [row.operator_folded, row.account_id]));
}

/** Everything somebody may be named by in a free text: names of their account and the ids they measure under at a site. */
export async function namesOfAccount(
  db: Reader,
  site: string,
  accountId: string,
): Promise<readonly string[]> {
  const account = await findAccount(db, accountId);
  if (account === undefined) return [];
  const { userName, printedName, operatorIds } = await personOf(db, account, site);
  return [userName, printedName, ...operatorIds];
}

/** As `namesOfAccount`, of whoever measures under an id; the id alone where it belongs to no account. */
export async function namesOfOperator(
  db: Reader,
  site: string,
  operatorId: string,
): Promise<readonly string[]> {
  const owners = await operatorOwners(db, site, [foldOperatorId(operatorId)]);
  const names = await Promise.all([...owners.values()].map((id) => namesOfAccount(db, site, id)));
  return [operatorId, ...names.flat()];
}

/** Puts these operator ids, which nobody else has, in the place of those that the account has at the site. */
export async function replaceOperators(
  trx: Trx,
  of: { readonly accountId: string; readonly site: string },
  operatorIds: readonly string[],
): Promise<void> {
  await trx
    .deleteFrom('account_operator')
    .where('account_id', '=', of.accountId)
    .where('site', '=', of.site)
    .execute();
  if (operatorIds.length === 0) return;
  await trx
    .insertInto('account_operator')
    .values(
      operatorIds.map((operatorId) => ({
        site: of.site,
        operator_folded: foldName(operatorId),
        operator_id: operatorId,
        account_id: of.accountId,
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
