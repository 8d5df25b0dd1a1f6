import { uuidv7 } from 'uuidv7';
import { type Actor, recordAudit } from '../audit/audit.store.js';
import type { Instant } from '../formats/instant.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import { type AccountFault, type NewAccount, newAccountFault } from './account-rules.js';
import {
  findAccount,
  findAccountByName,
  insertAccount,
  insertPredecessor,
  lockAccount,
  type OperatorHolder,
  operatorOwners,
  operatorsMeasured,
  personOf,
  replaceOperators,
  replaceRoles,
  successorOf,
} from './accounts.store.js';
import type { Person } from './caller.js';
import type { PasswordProofs } from './password-proof.service.js';
import type { Passwords } from './passwords.service.js';
import { mustStillBeAllowed } from './still-allowed.service.js';
import { foldName, foldOperatorId } from './user-name.js';

export type AccountChange<T = object> =
  | ({ readonly ok: true } & T)
  | { readonly ok: false; readonly fault: AccountFault };

export interface Reauthentication {
  /** Who is to prove it; left out where only a user name is known, as on the command line. */
  readonly accountId?: string;
  /** Checked too where it is given: §11.200(a)(1) asks for both components at the first signing. */
  readonly userName?: string;
  readonly password: string;
  /** Address of the computer it is typed at. */
  readonly source: string;
}

export type ReauthenticationAnswer =
  | {
      readonly kind: 'proven';
      readonly person: Person;
      /** What the password was compared with: an act that is committed later sees by it whether it is still in force. */
      readonly passwordHash: string;
    }
  | {
      readonly kind: 'refused';
      /**
       * `wrong`: user name and password do not belong together, or the account is not in force; `locked`: too
       * many tries; `must-change-password`: it was given by an administrator; `busy`: try again at once.
       */
      readonly why: 'wrong' | 'locked' | 'must-change-password' | 'busy';
      /** When it may be tried again; null unless locked. */
      readonly until: Instant | null;
    };

/** Accounts of people: who there is, what they may do, and whether somebody is one of them. */
export class AccountsService {
  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly place: {
      readonly site: string;
      readonly zone: string;
      /** See `PasswordContext`. */
      readonly siteWords: readonly string[];
    },
    private readonly passwords: Passwords,
    private readonly proofs: PasswordProofs,
  ) {}

  async create(input: NewAccount, actor: Actor): Promise<AccountChange<{ id: string }>> {
    const fault = newAccountFault(input, this.place.siteWords);
    if (fault) return { ok: false, fault };
    const hash = await this.passwords.hash(input.password);
    const id = uuidv7();
    const now = this.clock.now();
    const { site, zone } = this.place;
    return this.database.transact(async (trx): Promise<AccountChange<{ id: string }>> => {
      await mustStillBeAllowed(trx, actor, 'people.manage', site);
      const named = await readPredecessor(trx, site, input.predecessor?.userName ?? null);
      if (!named.ok) return named;
      const { before } = named;
      const of = { accountId: id, accountIds: [id, ...(before?.accountIds ?? [])], site };
      const doubled = await takenOperator(trx, of, input.operatorIds);
      if (doubled) return { ok: false, fault: doubled };
      const isNew = await insertAccount(trx, {
        id,
        user_name: input.userName.normalize('NFKC'),
        user_name_folded: foldName(input.userName),
        printed_name: input.printedName.trim(),
        password: hash,
        password_set_at: now,
        must_change_password: 1,
        created_at: now,
        deactivated_at: null,
      });
      if (!isNew) return { ok: false, fault: { field: 'userName', message: TAKEN } };
      await replaceRoles(trx, of, [...new Set(input.roles)], { at: now, by: actor.name });
      if (before !== null) {
        const link = { predecessor_id: before.accountId, account_id: id };
        await insertPredecessor(trx, { ...link, named_at: now, named_by: actor.name });
      }
      const own = new Set(input.operatorIds.map(foldOperatorId));
      const passed = before?.operatorIds.filter((held) => !own.has(foldOperatorId(held))) ?? [];
      const operatorIds = [...passed, ...input.operatorIds];
      await replaceOperators(trx, of, operatorIds, now);
      await recordAudit(trx, {
        site,
        zone,
        at: now,
        actor,
        action: 'account.created',
        subjectKind: 'account',
        subjectId: id,
        after: {
          userName: input.userName,
          printedName: input.printedName,
          roles: input.roles,
          operatorIds,
          ...(before === null ? {} : { predecessor: predecessorJson(before) }),
        },
        ...(input.predecessor === undefined ? {} : { reason: input.predecessor.reason }),
      });
      return { ok: true, id };
    });
  }

  /** The person of an account in force; null when there is none. */
  async find(accountId: string): Promise<Person | null> {
    const account = await findAccount(this.database.db, accountId);
    if (!account || account.deactivated_at !== null) return null;
    return personOf(this.database.db, account, this.place.site);
  }

  /**
   * Has somebody prove again who they are, for a signature. Every try that fails counts towards the lock-out of
   * the account and of the address, and stands in the trail.
   */
  async reauthenticate(asked: Reauthentication): Promise<ReauthenticationAnswer> {
    const { db } = this.database;
    const { accountId, userName, password, source } = asked;
    const byId = accountId === undefined ? undefined : await findAccount(db, accountId);
    const byName = userName === undefined ? undefined : await findAccountByName(db, userName);
    const agree = accountId === undefined || userName === undefined || byId?.id === byName?.id;
    const counted = byId ?? byName;
    const proof = await this.proofs.prove({
      site: this.place.site,
      userName: counted?.user_name ?? userName ?? '',
      account: counted ?? null,
      // With a user name of somebody else nothing that is typed is right, whatever it is.
      password: agree ? password : '',
      source,
      purpose: 're-authentication',
    });
    if (proof.kind === 'refused') return proof;
    const person = await personOf(db, proof.account, this.place.site);
    return person.mustChangePassword
      ? { kind: 'refused', why: 'must-change-password', until: null }
      : { kind: 'proven', person, passwordHash: proof.account.password };
  }
}

const TAKEN = 'somebody has, or had, this user name; names are not given a second time';

/**
 * The person whose ended account goes on as another; null where none is named. Only what has ended goes on, and as one other:
 * two people would each be taken for the first. Behind the lock of the ended account, so that nobody else names it meanwhile.
 */
export async function readPredecessor(
  trx: Trx,
  site: string,
  userName: string | null,
): Promise<AccountChange<{ before: Person | null }>> {
  if (userName === null) return { ok: true, before: null };
  const fault = (message: string) =>
    ({ ok: false, fault: { field: 'predecessor', message } }) as const;
  const found = await findAccountByName(trx, userName);
  const account = found && (await lockAccount(trx, found.id));
  if (account === undefined) return fault(`nobody has, or had, the user name ${userName}`);
  if (account.deactivated_at === null) {
    return fault(`${account.user_name} is in force; deactivate it first, or use it`);
  }
  const successor = await successorOf(trx, account.id);
  if (successor !== undefined) {
    return fault(
      `${account.user_name} goes on as ${successor.user_name}; name that one once it has ended`,
    );
  }
  return { ok: true, before: await personOf(trx, account, site) };
}

/** A predecessor as the trail tells of it, with the ids that pass with it. */
export function predecessorJson({ accountId, userName, everOperatorIds }: Person) {
  return { accountId, userName, operatorIds: everOperatorIds };
}

/**
 * Why these operator ids cannot be this account's; null when they can. An id is one person's for good: one that was given to
 * the wrong account goes to another once it was taken from that one, as long as nothing was reported under it.
 */
export async function takenOperator(
  trx: Trx,
  of: OperatorHolder,
  operatorIds: readonly string[],
): Promise<AccountFault | null> {
  const owners = await operatorOwners(trx, of.site);
  const ownerOf = (id: string) => owners.get(foldOperatorId(id));
  const others = operatorIds.filter(
    (id) => !of.accountIds.includes(ownerOf(id)?.account_id ?? of.accountId),
  );
  const folded = new Set(others.map(foldOperatorId));
  const measured = await operatorsMeasured(trx, of.site, folded);
  for (const id of others) {
    const owner = ownerOf(id);
    const account = owner && (await findAccount(trx, owner.account_id));
    const { user_name: name, deactivated_at: end = null } = account ?? {};
    const same = end === null ? '' : `; if it is the same person, name ${name} as predecessor`;
    if (owner?.ended_at === null) {
      return { field: 'operatorIds', message: `another person measures as ${id}: ${name}${same}` };
    }
    if (measured.has(foldOperatorId(id))) {
      const message = `${name} measured as ${id}, and what was reported under it stays theirs${same}`;
      return { field: 'operatorIds', message };
    }
  }
  return new Set(operatorIds.map(foldOperatorId)).size < operatorIds.length
    ? { field: 'operatorIds', message: 'the same id stands there twice' }
    : null;
}
