import { randomInt } from 'node:crypto';
import { recordAudit } from '../audit/audit.store.js';
import type { Instant } from '../formats/instant.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import type { AccountRow } from '../storage/tables.js';
import {
  type AccountFault,
  type NewAccount,
  newAccountFault,
  operatorsFault,
  rolesFault,
} from './account-rules.js';
import {
  type AccountsService,
  predecessorJson,
  readPredecessor,
  takenOperator,
} from './accounts.service.js';
import {
  activeHolders,
  anyAccount,
  findAccountByName,
  insertPredecessor,
  listAccounts,
  lockAccounts,
  operatorOwners,
  personOf,
  predecessorsOf,
  replaceOperators,
  replaceRoles,
  setDeactivated,
  setPassword,
  successorOf,
} from './accounts.store.js';
import { actorOf, type Caller, type Person } from './caller.js';
import { type DutyRefusal, judgeDuty, leavesNoAdministrator } from './duties.js';
import { blockedUntil, NAME_RULE } from './lock-out.js';
import { nameSubject } from './password-proof.service.js';
import type { Passwords } from './passwords.service.js';
import type { Role } from './rights.js';
import type { SessionsService } from './sessions.service.js';
import { sessionsOf } from './sessions.store.js';
import { findTries, forgetTries } from './sign-in-tries.store.js';
import { mustStillBeAllowed } from './still-allowed.service.js';
import { foldName, foldOperatorId } from './user-name.js';

export type PeopleRefusal =
  | { readonly kind: 'fault'; readonly fault: AccountFault }
  | { readonly kind: 'duty'; readonly refusal: DutyRefusal }
  | { readonly kind: 'unknown' };

export type PeopleAnswer<T = object> =
  | ({ readonly ok: true } & T)
  | { readonly ok: false; readonly refusal: PeopleRefusal };

export interface ListedPerson extends Person {
  readonly createdAt: Instant;
  readonly deactivatedAt: Instant | null;
  /** Until when too many tries keep the person out; null when nothing does. */
  readonly lockedUntil: Instant | null;
  readonly lastSignInAt: Instant | null;
  /** User name of the account in which the person goes on; null when none was named. */
  readonly successor: string | null;
  /** User names of the ended accounts that were named as this person's. */
  readonly predecessors: readonly string[];
}

/** What an administrator does with accounts: each change with its entry of the trail, or not at all. */
export class PeopleService {
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
    private readonly accounts: AccountsService,
    private readonly sessions: SessionsService,
  ) {}

  async list(): Promise<ListedPerson[]> {
    const { db } = this.database;
    const people: ListedPerson[] = [];
    for (const account of await listAccounts(db)) people.push(await this.#listed(account));
    return people;
  }

  async find(userName: string): Promise<ListedPerson | null> {
    const account = await findAccountByName(this.database.db, userName);
    return account ? this.#listed(account) : null;
  }

  /** Makes an account; the person has to choose another password at the first sign-in. */
  async create(input: NewAccount, caller: Caller): Promise<PeopleAnswer<{ id: string }>> {
    const isFirst = !(await anyAccount(this.database.db));
    if (isFirst && !input.roles.includes('administrator')) {
      return faulty({ field: 'roles', message: FIRST_PERSON });
    }
    const made = await this.accounts.create(input, actorOf(caller));
    return made.ok ? made : faulty(made.fault);
  }

  /** Gives the account these roles at this site in the place of those that it has. */
  async setRoles(userName: string, roles: readonly Role[], why: Because): Promise<PeopleAnswer> {
    const fault = rolesFault(roles);
    if (fault) return faulty(fault);
    return this.#change(userName, why, async (trx, { account, person }): Promise<PeopleAnswer> => {
      const refusal = judgeDuty(actingOf(why.caller), {
        kind: 'change-roles',
        right: 'people.manage',
        ofAccount: account.id,
        from: person.roles,
        to: roles,
        administrators: await activeHolders(trx, this.place.site, 'administrator'),
      });
      if (refusal) return { ok: false, refusal: { kind: 'duty', refusal } };
      const of = { accountId: account.id, site: this.place.site };
      const unique = [...new Set(roles)].sort();
      await replaceRoles(trx, of, unique, { at: this.clock.now(), by: why.caller.id });
      await this.#record(trx, account.id, {
        ...because(why),
        action: 'account.roles-changed',
        before: { roles: person.roles },
        after: { roles: unique },
      });
      return { ok: true };
    });
  }

  /**
   * Puts these operator ids in the place of those in force. One that is left out is ended: nobody measures under it any
   * more, and what was measured under it stays this person's.
   */
  async setOperators(
    userName: string,
    operatorIds: readonly string[],
    why: Because,
  ): Promise<PeopleAnswer> {
    const fault = operatorsFault(operatorIds);
    if (fault) return faulty(fault);
    return this.#change(userName, why, async (trx, { account, person }): Promise<PeopleAnswer> => {
      const of = { ...person, site: this.place.site };
      const own = judgeOwnOperators(why.caller, account.id, person.operatorIds, operatorIds);
      if (own) return { ok: false, refusal: { kind: 'duty', refusal: own } };
      const doubled = await takenOperator(trx, of, operatorIds);
      if (doubled) return faulty(doubled);
      const owners = await operatorOwners(trx, of.site);
      const takenFrom = operatorIds.flatMap((operatorId) => {
        const owner = owners.get(foldOperatorId(operatorId))?.account_id ?? account.id;
        return person.accountIds.includes(owner) ? [] : [{ operatorId, accountId: owner }];
      });
      await replaceOperators(trx, of, operatorIds, this.clock.now());
      await this.#record(trx, account.id, {
        ...because(why),
        action: 'account.operators-changed',
        before: { operatorIds: person.operatorIds, ...(takenFrom.length > 0 ? { takenFrom } : {}) },
        after: { operatorIds },
      });
      return { ok: true };
    });
  }

  /**
   * Says for good that an ended account was the same person's: they judge nothing that either measured, announced or
   * proposed, and the operator ids of the ended one are theirs.
   */
  async setPredecessor(userName: string, predecessor: string, why: Because): Promise<PeopleAnswer> {
    return this.#change(userName, why, async (trx, { account }): Promise<PeopleAnswer> => {
      const { site } = this.place;
      const named = await readPredecessor(trx, site, predecessor);
      if (!named.ok) return faulty(named.fault);
      const { before } = named;
      if (before === null) throw new Error('no predecessor is named');
      await insertPredecessor(trx, {
        predecessor_id: before.accountId,
        account_id: account.id,
        named_at: this.clock.now(),
        named_by: why.caller.id,
      });
      await this.#record(trx, account.id, {
        ...because(why),
        action: 'account.predecessor-named',
        after: { predecessor: predecessorJson(before) },
      });
      return { ok: true };
    });
  }

  /** Ends an account for good, and its sessions at once. Its name stays with it. */
  async deactivate(userName: string, why: Because): Promise<PeopleAnswer> {
    return this.#change(userName, why, async (trx, { account, person }): Promise<PeopleAnswer> => {
      const last = leavesNoAdministrator({
        ofAccount: account.id,
        from: person.roles,
        to: [],
        administrators: await activeHolders(trx, this.place.site, 'administrator'),
      });
      if (last) return { ok: false, refusal: { kind: 'duty', refusal: LAST } };
      await setDeactivated(trx, account.id, this.clock.now());
      await this.#record(trx, account.id, {
        ...because(why),
        action: 'account.deactivated',
        before: { roles: person.roles },
      });
      await this.sessions.endAll(trx, account.id, 'account deactivated', actorOf(why.caller));
      return { ok: true };
    });
  }

  /** A new initial password, which is shown this once; sessions end, and the person has to choose another. */
  async resetPassword(
    userName: string,
    why: Because,
    given?: string,
  ): Promise<PeopleAnswer<{ password: string }>> {
    const account = await findAccountByName(this.database.db, userName);
    const password = given ?? generatedPassword();
    const names = { userName, printedName: account?.printed_name ?? '' };
    const fault = newAccountFault(
      { ...names, roles: [], operatorIds: [], password },
      this.place.siteWords,
    );
    if (account && fault?.field === 'password') return faulty(fault);
    const hash = await this.passwords.hash(password);
    return this.#change(
      userName,
      why,
      async (trx, found): Promise<PeopleAnswer<{ password: string }>> => {
        const { id } = found.account;
        if (why.caller.kind === 'person' && why.caller.id === id) {
          return { ok: false, refusal: { kind: 'duty', refusal: OWN_RESET } };
        }
        await setPassword(trx, id, { hash, at: this.clock.now(), mustChange: true });
        await forgetTries(trx, this.place.site, nameSubject(found.account.user_name));
        await this.#record(trx, id, {
          ...because(why),
          action: 'account.password-reset',
          after: { mustChange: true },
        });
        await this.sessions.endAll(trx, id, 'password reset', actorOf(why.caller));
        return { ok: true, password };
      },
    );
  }

  /** Lets a person try again at once. */
  async unlock(userName: string, why: Because): Promise<PeopleAnswer<{ wasLocked: boolean }>> {
    return this.#change(
      userName,
      why,
      async (trx, { account }): Promise<PeopleAnswer<{ wasLocked: boolean }>> => {
        const { site } = this.place;
        const wasLocked = await forgetTries(trx, site, nameSubject(account.user_name));
        await this.#record(trx, account.id, { ...because(why), action: 'account.unlocked' });
        return { ok: true, wasLocked };
      },
    );
  }

  /** Every change holds all accounts: two that each leave the other administrator would leave none. */
  async #change<T extends object>(
    userName: string,
    why: Because,
    work: (
      trx: Trx,
      found: { readonly account: AccountRow; readonly person: Person },
    ) => Promise<PeopleAnswer<T>>,
  ): Promise<PeopleAnswer<T>> {
    return this.database.transact(async (trx): Promise<PeopleAnswer<T>> => {
      const folded = foldName(userName);
      const account = (await lockAccounts(trx)).find((row) => row.user_name_folded === folded);
      await mustStillBeAllowed(trx, actorOf(why.caller), 'people.manage', this.place.site);
      if (!account || account.deactivated_at !== null) {
        return { ok: false, refusal: { kind: 'unknown' } };
      }
      return work(trx, { account, person: await personOf(trx, account, this.place.site) });
    });
  }

  async #record(
    trx: Trx,
    accountId: string,
    event: Pick<
      Parameters<typeof recordAudit>[1],
      'actor' | 'action' | 'reason' | 'before' | 'after'
    >,
  ): Promise<void> {
    const { site, zone } = this.place;
    const subject = { subjectKind: 'account', subjectId: accountId };
    await recordAudit(trx, { site, zone, at: this.clock.now(), ...subject, ...event });
  }

  async #listed(account: AccountRow): Promise<ListedPerson> {
    const { db } = this.database;
    const { site } = this.place;
    const tries = await findTries(db, site, nameSubject(account.user_name));
    const [latest] = await sessionsOf(db, account.id, 1);
    const predecessors = await predecessorsOf(db, account.id);
    return {
      ...(await personOf(db, account, site)),
      successor: (await successorOf(db, account.id))?.user_name ?? null,
      predecessors: predecessors.map((row) => row.user_name),
      createdAt: account.created_at,
      deactivatedAt: account.deactivated_at,
      lockedUntil: tries
        ? blockedUntil(
            {
              failures: tries.failures,
              lastAt: tries.last_at,
              blockedUntil: tries.blocked_until,
            },
            NAME_RULE,
            this.clock.now(),
          )
        : null,
      lastSignInAt: latest?.started_at ?? null,
    };
  }
}

/** Who changes something about a person, and why. */
export interface Because {
  readonly caller: Caller;
  readonly reason: string;
}

const because = ({ caller, reason }: Because) => ({ actor: actorOf(caller), reason });

const FIRST_PERSON =
  'the first person of a gateway is an administrator, or nobody could make others';
const LAST: DutyRefusal = {
  code: 'duty-last-administrator',
  message: 'nobody could manage people any more; make another administrator first',
};
const OWN_RESET: DutyRefusal = {
  code: 'duty-own-roles',
  message: 'your own password is changed on your account page, where the present one is asked for',
};

function faulty(fault: AccountFault): { ok: false; refusal: PeopleRefusal } {
  return { ok: false, refusal: { kind: 'fault', fault } };
}

function actingOf({ id, rights }: Caller) {
  return { accountIds: [id], rights, everOperatorIds: [] };
}

/** Whoever could end an own operator id could have it given to somebody else, and judge what is measured under it. */
function judgeOwnOperators(
  caller: Caller,
  accountId: string,
  from: readonly string[],
  to: readonly string[],
): DutyRefusal | null {
  const kept = new Set(to.map(foldOperatorId));
  const drops = from.some((id) => !kept.has(foldOperatorId(id)));
  return caller.kind === 'person' && caller.id === accountId && drops
    ? {
        code: 'duty-own-roles',
        message: 'nobody drops an operator id of their own; another administrator has to',
      }
    : null;
}

/** No letter or digit that is taken for another when it is read out or copied by hand. */
const ALPHABET = 'abcdefghjkmnpqrstuvwxyz23456789';

/** About 99 random bits in four groups, to be typed once. */
export function generatedPassword(): string {
  const group = () =>
    Array.from({ length: 5 }, () => ALPHABET[randomInt(ALPHABET.length)]).join('');
  return [group(), group(), group(), group()].join('-');
}
