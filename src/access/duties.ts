import type { Person } from './caller.js';
import type { Right, Role } from './rights.js';
import { foldOperatorId, looksAlike } from './user-name.js';

/** Acts that two people share, and what makes the second one somebody else. */
export type Duty =
  /** Clearing, refusing, re-attributing or reviewing what was measured. */
  | {
      readonly kind: 'judge-result';
      readonly right: 'result.review' | 'result.reattribute' | 'stop.lift' | 'signature.make';
      /** As the instrument reported them, of every result that is judged; null where none was reported. */
      readonly operatorIds: readonly (string | null)[];
    }
  /** Approving what somebody proposed. */
  | {
      readonly kind: 'approve';
      readonly right: 'mapping.approve' | 'method.approve';
      /** Account id, or whoever else the trail names; null where nobody can say which person it was. */
      readonly proposedBy: string | null;
    }
  /** Giving or taking roles. */
  | {
      readonly kind: 'change-roles';
      readonly right: 'people.manage';
      readonly ofAccount: string;
      readonly from: readonly Role[];
      readonly to: readonly Role[];
      /** Administrators of the site in force, before the change. */
      readonly administrators: readonly string[];
    };

/** Why a person may not; null when they may. Written for the person. */
export type DutyRefusal =
  | { readonly code: 'right-missing'; readonly right: Right; readonly message: string }
  | { readonly code: 'duty-own-result'; readonly message: string }
  | { readonly code: 'duty-own-proposal'; readonly message: string }
  | { readonly code: 'duty-own-roles'; readonly message: string }
  | { readonly code: 'duty-last-administrator'; readonly message: string };

/** A text under which results were reported, and the printed name of whose it is. */
export interface MeasuredBy {
  /** As the instrument reported it; null where it named nobody. */
  readonly operator: string | null;
  /** null where it belongs to no account. */
  readonly belongsTo: string | null;
}

type Acting = Pick<Person, 'accountIds' | 'rights' | 'everOperatorIds'> &
  Partial<Pick<Person, 'userName' | 'printedName'>>;

/**
 * Separation of duties: the right first, then whether somebody else has to do it. EU GMP Annex 11 and 21 CFR Part
 * 11 ask for authority checks; that nobody judges their own work is common practice.
 *
 * @param strangers those of the duty's operator ids that belong to no account
 */
export function judgeDuty(
  person: Acting,
  duty: Duty,
  strangers: readonly string[] = [],
): DutyRefusal | null {
  if (!person.rights.has(duty.right)) {
    return {
      code: 'right-missing',
      right: duty.right,
      message: `it needs the right ${duty.right}, which none of your roles gives`,
    };
  }
  switch (duty.kind) {
    case 'judge-result':
      return duty.operatorIds.some((id) => isOwnOperatorId(person, id))
        ? {
            code: 'duty-own-result',
            message:
              'you measured it yourself, or something else that it decides about; somebody else has to judge it',
          }
        : judgeStrangers(person, strangers);
    case 'approve':
      if (duty.proposedBy === null) return UNKNOWN_PROPOSER;
      return person.accountIds.includes(duty.proposedBy)
        ? { code: 'duty-own-proposal', message: 'you proposed it; somebody else has to approve it' }
        : null;
    case 'change-roles':
      return judgeRoles(person, duty);
  }
}

/** Whether a person measures, or did, under this id, however it is written. */
export function isOwnOperatorId(
  person: Pick<Person, 'everOperatorIds'>,
  operatorId: string | null,
): boolean {
  if (operatorId === null) return false;
  const folded = foldOperatorId(operatorId);
  return person.everOperatorIds.some((own) => foldOperatorId(own) === folded);
}

const UNKNOWN_PROPOSER: DutyRefusal = {
  code: 'duty-own-proposal',
  message:
    'nobody can say which person proposed it, so nobody is somebody else; have a person propose it, under another version',
};

/**
 * An operator id that belongs to no account is no fault: whoever only measures needs no account. But one that a reader would
 * take for the person's own is not taken for somebody else's before an administrator has said whose it is.
 */
function judgeStrangers(person: Acting, strangers: readonly string[]): DutyRefusal | null {
  const { everOperatorIds, userName, printedName } = person;
  const own = [...everOperatorIds, userName, printedName].filter((name) => name !== undefined);
  for (const id of strangers) {
    const like = own.find((name) => looksAlike(name, id));
    if (like === undefined) continue;
    const message = `"${id}", under which something was measured, belongs to no account and looks like your "${like}"; have an administrator enter it for whoever it is`;
    return { code: 'duty-own-result', message };
  }
  return null;
}

function judgeRoles(
  person: Acting,
  duty: Extract<Duty, { kind: 'change-roles' }>,
): DutyRefusal | null {
  const given = duty.to.filter((role) => !duty.from.includes(role));
  if (person.accountIds.includes(duty.ofAccount) && given.length > 0) {
    return {
      code: 'duty-own-roles',
      message: 'nobody gives roles to themselves; another administrator has to',
    };
  }
  return leavesNoAdministrator(duty)
    ? {
        code: 'duty-last-administrator',
        message: 'nobody could manage people any more; make another administrator first',
      }
    : null;
}

/** True when a change of roles, or a deactivation (`to` empty), takes the last administrator of a site. */
export function leavesNoAdministrator(change: {
  readonly ofAccount: string;
  readonly from: readonly Role[];
  readonly to: readonly Role[];
  readonly administrators: readonly string[];
}): boolean {
  const loses = change.from.includes('administrator') && !change.to.includes('administrator');
  return loses && change.administrators.every((id) => id === change.ofAccount);
}
