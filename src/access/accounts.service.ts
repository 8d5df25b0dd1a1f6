import { uuidv7 } from 'uuidv7';
import { type Actor, recordAudit } from '../audit/audit.store.js';
import type { Instant } from '../formats/instant.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase } from '../storage/database.js';
import {
  findAccount,
  findAccountByName,
  insertAccount,
  personOf,
  replaceOperators,
  replaceRoles,
} from './accounts.store.js';
import type { Person } from './caller.js';
import type { PasswordProofs } from './password-proof.service.js';
import { passwordFault } from './password-rules.js';
import type { Passwords } from './passwords.service.js';
import { PROGRAM_ROLES, type Role } from './rights.js';
import { foldName, printedNameFault, userNameFault } from './user-name.js';

export interface NewAccount {
  readonly userName: string;
  readonly printedName: string;
  readonly roles: readonly Role[];
  /** Ids under which the person measures; none for who does not. */
  readonly operatorIds: readonly string[];
  /** Initial password; the person chooses another at the first sign-in. */
  readonly password: string;
}

/** Names the field and the rule, as forms and commands show it. */
export interface AccountFault {
  readonly field: 'userName' | 'printedName' | 'roles' | 'operatorIds' | 'password' | 'account';
  readonly message: string;
}

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
  | { readonly kind: 'proven'; readonly person: Person }
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
    return this.database
      .transact(async (trx) => {
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
        if (!isNew) return refusal('userName', TAKEN);
        const of = { accountId: id, site };
        await replaceRoles(trx, of, input.roles, { at: now, by: actor.name });
        const doubled = await replaceOperators(trx, of, input.operatorIds);
        if (doubled !== null) throw new OperatorTaken(doubled);
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
        return { ok: true as const, id };
      })
      .catch(operatorRefusal);
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
      : { kind: 'proven', person };
  }
}

const TAKEN = 'somebody has, or had, this user name; names are not given a second time';

/** Undoes the whole change of its transaction. */
class OperatorTaken extends Error {
  constructor(readonly operatorId: string) {
    super(`operator id ${operatorId} is taken`);
    this.name = 'OperatorTaken';
  }
}

function operatorRefusal(error: unknown): AccountChange<never> {
  if (!(error instanceof OperatorTaken)) throw error;
  return refusal('operatorIds', `another person measures as ${error.operatorId}`);
}

function refusal(
  field: AccountFault['field'],
  message: string,
): { ok: false; fault: AccountFault } {
  return { ok: false, fault: { field, message } };
}

function newAccountFault(input: NewAccount, siteWords: readonly string[]): AccountFault | null {
  const { userName, printedName, password } = input;
  const name = userNameFault(userName);
  if (name) return { field: 'userName', message: name };
  const printed = printedNameFault(printedName);
  if (printed) return { field: 'printedName', message: printed };
  const weak = passwordFault(password, { userName, printedName, siteWords });
  if (weak) return { field: 'password', message: weak };
  return rolesFault(input.roles) ?? operatorsFault(input.operatorIds);
}

function rolesFault(roles: readonly Role[]): AccountFault | null {
  const program = roles.find((role) => PROGRAM_ROLES.has(role));
  return program === undefined
    ? null
    : {
        field: 'roles',
        message: `${program} is for programs: make a key with \`drumline key create\``,
      };
}

const OPERATORS_MAX = 20;

function operatorsFault(operatorIds: readonly string[]): AccountFault | null {
  if (operatorIds.length > OPERATORS_MAX) {
    return { field: 'operatorIds', message: `expected ${OPERATORS_MAX} at most` };
  }
  const bad = operatorIds.map(printedNameFault).find((fault) => fault !== null);
  return bad === undefined ? null : { field: 'operatorIds', message: bad };
}
