import type { Role } from '../access/rights.js';
import type { MomentView, SiteView } from './day-view.js';
import type { SignedIn } from './signed-in.js';

export interface SessionView {
  readonly id: string;
  readonly isThisOne: boolean;
  readonly startedAt: MomentView;
  readonly seenAt: MomentView;
  readonly source: string;
  readonly agent: string;
  /** When and why it ended; null while it lasts. */
  readonly ended: { readonly at: MomentView; readonly reason: string } | null;
}

/** A try that was refused under the person's name. */
export interface RefusedTryView {
  readonly at: MomentView;
  readonly source: string;
  readonly reason: string;
}

export interface NoticeView {
  readonly tone: 'bad' | 'good' | 'quiet';
  readonly title: string;
  readonly text: string;
}

export interface AccountView {
  readonly site: SiteView;
  readonly asOf: MomentView;
  readonly signedIn: SignedIn;
  readonly formToken: string;
  readonly userName: string;
  readonly roles: readonly Role[];
  readonly operatorIds: readonly string[];
  readonly mustChangePassword: boolean;
  readonly sessions: readonly SessionView[];
  readonly refused: readonly RefusedTryView[];
  readonly limits: { readonly idle: string; readonly absolute: string };
  readonly notice: NoticeView | null;
}

export interface PersonView {
  readonly userName: string;
  readonly printedName: string;
  readonly roles: readonly Role[];
  readonly operatorIds: readonly string[];
  /** Ids that were taken from the account; what was measured under them stays this person's. */
  readonly formerOperatorIds: readonly string[];
  readonly state: 'active' | 'must-change-password' | 'locked' | 'deactivated';
  readonly lockedUntil: MomentView | null;
  readonly deactivatedAt: MomentView | null;
  readonly lastSignInAt: MomentView | null;
  /** User names of ended accounts that are the same person's, and of the one in which this one goes on. */
  readonly predecessors: readonly string[];
  readonly successor: string | null;
  readonly isSelf: boolean;
}

export interface PeopleView {
  readonly site: SiteView;
  readonly asOf: MomentView;
  readonly signedIn: SignedIn;
  readonly formToken: string;
  readonly people: readonly PersonView[];
  readonly notice: NoticeView | null;
  /** What was typed into the form for a new person and refused; empty fields otherwise. */
  readonly draft: {
    readonly userName: string;
    readonly printedName: string;
    readonly operatorIds: string;
    readonly predecessor: string;
    readonly reason: string;
    readonly roles: readonly string[];
  };
}

export interface OnePersonView extends Omit<PeopleView, 'people' | 'draft'> {
  readonly person: PersonView;
  /** A password to hand over, shown this once. */
  readonly initialPassword: string | null;
}
