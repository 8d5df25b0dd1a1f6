import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { dialectOf, forUpdate } from '../storage/dialect.js';
import { bounded } from '../storage/prepared.js';
import type { AccountOperatorRow, AccountPredecessorRow, AccountRow } from '../storage/tables.js';
import type { Person } from './caller.js';
import type { Duty, MeasuredBy } from './duties.js';
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

/**
 * An account as it is, and stays until the transaction ends: whoever changes it, or its roles or operator ids, waits, and is
 * waited for. Several may share it. Behind the locks of receipts: who changes accounts takes none of those.
 */
export function shareAccount(trx: Trx, id: string): Promise<AccountRow | undefined> {
  const query = trx.selectFrom('account').selectAll().where('id', '=', id);
  return (dialectOf(trx).isShared ? query.forShare() : query).executeTakeFirst();
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

/**
 * Every account of the person whose account it is, that one first: those that were named as its predecessors, theirs, and
 * the one it goes on as. No account is met twice: each goes on as one other at most, and what ended is never in force again.
 */
export async function accountsOfPerson(db: Reader, accountId: string): Promise<string[]> {
  const found = new Set([accountId]);
  for (let open = [accountId]; open.length > 0; ) {
    const links = await db
      .selectFrom('account_predecessor')
      .select(['predecessor_id', 'account_id'])
      .where((e) => e.or([e('account_id', 'in', open), e('predecessor_id', 'in', open)]))
      .execute();
    const ids = links.flatMap((link) => [link.predecessor_id, link.account_id]);
    open = [...new Set(ids)].filter((id) => !found.has(id)).sort();
    for (const id of open) found.add(id);
  }
  return [...found];
}

/** As which account an ended one goes on; undefined when nobody named one. */
export async function successorOf(db: Reader, accountId: string): Promise<AccountRow | undefined> {
  return db
    .selectFrom('account')
    .innerJoin('account_predecessor', 'account_predecessor.account_id', 'account.id')
    .selectAll('account')
    .where('account_predecessor.predecessor_id', '=', accountId)
    .executeTakeFirst();
}

/** Ended accounts that were named as those of the same person; theirs are not among them. */
export async function predecessorsOf(db: Reader, accountId: string): Promise<AccountRow[]> {
  return db
    .selectFrom('account')
    .innerJoin('account_predecessor', 'account_predecessor.predecessor_id', 'account.id')
    .selectAll('account')
    .where('account_predecessor.account_id', '=', accountId)
    .orderBy('account.user_name_folded')
    .execute();
}

/** Says for good that an ended account, which goes on as no other, was of the person whose account this is. */
export async function insertPredecessor(
  trx: Trx,
  row: Readonly<AccountPredecessorRow>,
): Promise<void> {
  await trx.insertInto('account_predecessor').values(row).execute();
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
  const accountIds = await accountsOfPerson(db, account.id);
  const operators = await db
    .selectFrom('account_operator')
    .select(['operator_id', 'ended_at'])
    .where('account_id', 'in', accountIds)
    .where('site', '=', site)
    .orderBy('operator_folded')
    .execute();
  const inForce = operators.filter((row) => row.ended_at === null);
  const roles = granted.map(({ role }) => parseRole(role)).filter((role) => role !== null);
  return {
    accountId: account.id,
    accountIds,
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

/** Operator ids, as they were reported, of what a duty judges that belong to no account. */
export async function strangersAmong(
  db: Reader,
  site: string,
  duty: Duty | null,
): Promise<string[]> {
  if (duty?.kind !== 'judge-result') return [];
  const owners = await operatorOwners(db, site);
  return duty.operatorIds.filter(
    (id) => id !== null && !owners.has(foldOperatorId(id)),
  ) as string[];
}

/** Whose these operator ids are, in the order of their texts, each text once. */
export async function measuredBy(
  db: Reader,
  site: string,
  operatorIds: readonly (string | null)[],
): Promise<MeasuredBy[]> {
  const owners = await operatorOwners(db, site);
  const found: MeasuredBy[] = [];
  for (const operator of [...new Set(operatorIds)].sort()) {
    const owner = operator === null ? undefined : owners.get(foldOperatorId(operator));
    const account = owner && (await findAccount(db, owner.account_id));
    found.push({ operator, belongsTo: account?.printed_name ?? null });
  }
  return found;
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

/** Everything somebody may be named by in a free text: names of their accounts and the ids they measure under at a site. */
export async function namesOfPerson(
  db: Reader,
  site: string,
  accountId: string,
): Promise<readonly string[]> {
  const accounts = await db
    .selectFrom('account')
    .selectAll()
    .where('id', 'in', await accountsOfPerson(db, accountId))
    .execute();
  const names = new Set<string>();
  for (const account of accounts) {
    const { userName, printedName, everOperatorIds } = await personOf(db, account, site);
    for (const name of [userName, printedName, ...everOperatorIds]) names.add(name);
  }
  return [...names];
}

/** As `namesOfPerson`, of whoever measures under an id; the id alone where it belongs to no account. */
export async function namesOfOperator(
  db: Reader,
  site: string,
  operatorId: string,
): Promise<readonly string[]> {
  const owner = (await operatorOwners(db, site)).get(foldOperatorId(operatorId));
  if (owner === undefined) return [operatorId];
  return [operatorId, ...(await namesOfPerson(db, site, owner.account_id))];
}

/** An account, with all of the same person, at a site. */
export interface OperatorHolder {
  readonly accountId: string;
  readonly accountIds: readonly string[];
  readonly site: string;
}

/**
 * Puts these operator ids, which the person may have, in the place of those in force at the site. One that is left out is
 * ended and stays theirs; one that had ended is in force again.
 */
export async function replaceOperators(
  trx: Trx,
  { accountId, accountIds, site }: OperatorHolder,
  operatorIds: readonly string[],
  now: Instant,
): Promise<void> {
  const owners = await operatorOwners(trx, site);
  const kept = new Map(operatorIds.map((id) => [foldOperatorId(id), id]));
  for (const [folded, row] of owners) {
    const id = kept.get(folded);
    const isOwn = accountIds.includes(row.account_id);
    if (id === undefined && !(isOwn && row.ended_at === null)) continue;
    const holder = isOwn ? row.account_id : accountId;
    await trx
      .updateTable('account_operator')
      .set(
        id === undefined
          ? { ended_at: now }
          : { operator_id: id, account_id: holder, ended_at: null },
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
