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
  operatorOwners,
  operatorsMeasured,
  personOf,
  replaceOperators,
  replaceRoles,
} from './accounts.store.js';
import type { Person } from './caller.js';
import type { PasswordProofs } from './password-proof.service.js';
import type { Passwords } from './passwords.service.js';
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
      const of = { accountId: id, site };
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
      await replaceOperators(trx, of, input.operatorIds, now);
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
          operatorIds: input.operatorIds,
        },
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
 * Why these operator ids cannot be this account's; null when they can. An id is one person's for good: one that was given to
 * the wrong account goes to another once it was taken from that one, as long as nothing was reported under it.
 */
export async function takenOperator(
  trx: Trx,
  of: { readonly accountId: string; readonly site: string },
  operatorIds: readonly string[],
): Promise<AccountFault | null> {
  const owners = await operatorOwners(trx, of.site);
  const ownerOf = (id: string) => owners.get(foldOperatorId(id));
  const others = operatorIds.filter(
    (id) => (ownerOf(id)?.account_id ?? of.accountId) !== of.accountId,
  );
  const folded = new Set(others.map(foldOperatorId));
  const measured = await operatorsMeasured(trx, of.site, folded);
  for (const id of others) {
    const owner = ownerOf(id);
    const name = owner && (await findAccount(trx, owner.account_id))?.user_name;
    if (owner?.ended_at === null) {
      return { field: 'operatorIds', message: `another person measures as ${id}: ${name}` };
    }
    if (measured.has(foldOperatorId(id))) {
      const message = `${name} measured as ${id}; what was reported under it stays theirs, so take another id`;
      return { field: 'operatorIds', message };
    }
  }
  return new Set(operatorIds.map(foldOperatorId)).size < operatorIds.length
    ? { field: 'operatorIds', message: 'the same id stands there twice' }
    : null;
}
