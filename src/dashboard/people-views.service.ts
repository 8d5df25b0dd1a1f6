import { refusedTries } from '../access/access-trail.store.js';
import type { PersonCaller } from '../access/caller.js';
import type { ListedPerson, PeopleService } from '../access/people.service.js';
import type { SessionsService } from '../access/sessions.service.js';
import { sessionsOf } from '../access/sessions.store.js';
import type { Instant } from '../formats/instant.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase } from '../storage/database.js';
import type { SessionRow } from '../storage/tables.js';
import type {
  AccountView,
  NoticeView,
  OnePersonView,
  PeopleView,
  PersonView,
  SessionView,
} from './account-view.js';
import type { MomentView } from './day-view.js';
import { moment } from './local-time.js';
import type { PageSite } from './page-site.js';
import { signedInOf } from './signed-in.js';
import type { Viewer } from './viewer.js';

const SESSIONS_SHOWN_MAX = 20;
const REFUSED_SHOWN_MAX = 10;

const EMPTY_DRAFT = {
  userName: '',
  printedName: '',
  operatorIds: '',
  predecessor: '',
  reason: '',
  roles: ['viewer'],
};

/** Reads what the pages about people show. */
export class PeopleViews {
  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly site: PageSite,
    private readonly people: PeopleService,
    private readonly sessions: SessionsService,
  ) {}

  async account(viewer: Viewer, notice: NoticeView | null = null): Promise<AccountView> {
    const { caller } = viewer;
    const { db } = this.database;
    const { site } = this.site.view;
    const rows = await sessionsOf(db, caller.id, SESSIONS_SHOWN_MAX);
    const refused = await refusedTries(db, site, caller.id, REFUSED_SHOWN_MAX);
    return {
      ...this.#frame(viewer, notice),
      userName: caller.userName,
      roles: caller.roles,
      operatorIds: caller.operatorIds,
      mustChangePassword: caller.mustChangePassword,
      sessions: rows
        .filter((row) => row.site === site)
        .map((row) => this.#session(row, caller.sessionId)),
      refused: refused.map((entry) => ({
        at: this.#moment(entry.at),
        source: entry.source ?? 'unknown',
        reason: entry.reason ?? '',
      })),
      limits: {
        idle: durationText(this.sessions.limits.idleMs),
        absolute: durationText(this.sessions.limits.absoluteMs),
      },
    };
  }

  async list(
    viewer: Viewer,
    notice: NoticeView | null = null,
    draft: PeopleView['draft'] = EMPTY_DRAFT,
  ): Promise<PeopleView> {
    const people = await this.people.list();
    return {
      ...this.#frame(viewer, notice),
      people: people.map((person) => this.#person(person, viewer.caller)),
      draft,
    };
  }

  /** null when nobody has the user name. */
  async person(
    viewer: Viewer,
    userName: string,
    shown: { readonly notice: NoticeView | null; readonly initialPassword?: string },
  ): Promise<OnePersonView | null> {
    const person = await this.people.find(userName);
    if (!person) return null;
    return {
      ...this.#frame(viewer, shown.notice),
      person: this.#person(person, viewer.caller),
      initialPassword: shown.initialPassword ?? null,
    };
  }

  #frame({ caller, formToken }: Viewer, notice: NoticeView | null) {
    const signedIn = signedInOf(caller) ?? {
      printedName: caller.name,
      canManagePeople: false,
      canReadTrail: false,
      canAnnounce: false,
    };
    const asOf = this.#moment(this.clock.now());
    return { site: this.site.view, asOf, signedIn, formToken, notice };
  }

  #session(row: SessionRow, thisOne: string): SessionView {
    return {
      id: row.id,
      isThisOne: row.id === thisOne,
      startedAt: this.#moment(row.started_at),
      seenAt: this.#moment(row.seen_at),
      source: row.source,
      agent: row.agent,
      ended:
        row.ended_at === null
          ? null
          : { at: this.#moment(row.ended_at), reason: row.end_reason ?? '' },
    };
  }

  #person(person: ListedPerson, viewer: PersonCaller): PersonView {
    const { userName, printedName, roles, operatorIds, lockedUntil, deactivatedAt } = person;
    const moments = {
      lockedUntil: lockedUntil === null ? null : this.#moment(lockedUntil),
      deactivatedAt: deactivatedAt === null ? null : this.#moment(deactivatedAt),
      lastSignInAt: person.lastSignInAt === null ? null : this.#moment(person.lastSignInAt),
    };
    const state = stateOf(person);
    const isSelf = person.accountId === viewer.id;
    const formerOperatorIds = person.everOperatorIds.filter((id) => !operatorIds.includes(id));
    const { predecessors, successor } = person;
    const ids = { operatorIds, formerOperatorIds, predecessors, successor };
    return { userName, printedName, roles, ...ids, state, isSelf, ...moments };
  }

  #moment(at: Instant): MomentView {
    return moment(at, this.site.view.timeZone);
  }
}

function stateOf(person: ListedPerson): PersonView['state'] {
  if (person.deactivatedAt !== null) return 'deactivated';
  if (person.lockedUntil !== null) return 'locked';
  return person.mustChangePassword ? 'must-change-password' : 'active';
}

function durationText(ms: number): string {
  const minutes = Math.round(ms / 60_000);
  return minutes % 60 === 0 ? `${minutes / 60} h` : `${minutes} min`;
}
