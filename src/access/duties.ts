import type { Person } from './caller.js';
import type { Right, Role } from './rights.js';
import { foldOperatorId } from './user-name.js';

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
      /** Account id, or whoever else the trail names. */
      readonly proposedBy: string;
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

type Acting = Pick<Person, 'accountIds' | 'rights' | 'everOperatorIds'>;

/**
 * Separation of duties: the right first, then whether somebody else has to do it. EU GMP Annex 11 and 21 CFR Part
 * 11 ask for authority checks; that nobody judges their own work is common practice.
 */
export function judgeDuty(person: Acting, duty: Duty): DutyRefusal | null {
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
            message: 'you measured it yourself; somebody else has to judge it',
          }
        : null;
    case 'approve':
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
