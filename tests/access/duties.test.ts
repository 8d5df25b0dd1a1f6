import { describe, expect, it } from 'vitest';
import { type Duty, judgeDuty } from '../../src/access/duties.js';
import { type Role, rightsOfRoles } from '../../src/access/rights.js';

/** Common practice, no source: nobody judges their own work, and nobody gives themselves authority. */

const person = (roles: readonly Role[], everOperatorIds: readonly string[] = ['MH']) => ({
  accountIds: ['mira', 'mira before'],
  rights: rightsOfRoles(roles),
  everOperatorIds,
});

const clearing = (...operatorIds: (string | null)[]): Duty => ({
  kind: 'judge-result',
  right: 'result.review',
  operatorIds,
});
const approving = (proposedBy: string | null): Duty => ({
  kind: 'approve',
  right: 'mapping.approve',
  proposedBy,
});
const roles = (
  ofAccount: string,
  from: readonly Role[],
  to: readonly Role[],
  administrators: readonly string[] = ['mira', 'ode'],
): Duty => ({ kind: 'change-roles', right: 'people.manage', ofAccount, from, to, administrators });

describe('separation of duties', () => {
  it.each([
    ['a reviewer, a result of somebody else', person(['reviewer']), clearing('OV'), null],
    ['a reviewer, an own result', person(['reviewer']), clearing('MH'), 'duty-own-result'],
    ['… written otherwise', person(['reviewer']), clearing('ｍｈ '), 'duty-own-result'],
    [
      '… with a sign that nobody sees',
      person(['reviewer']),
      clearing('M\u200bH'),
      'duty-own-result',
    ],
    [
      '… with a letter that fills nothing',
      person(['reviewer']),
      clearing('MH\u3164'),
      'duty-own-result',
    ],
    ['… among others', person(['reviewer']), clearing('OV', 'MH'), 'duty-own-result'],
    ['… under a second id', person(['reviewer'], ['X', 'MH2']), clearing('MH2'), 'duty-own-result'],
    ['a result without an operator', person(['reviewer']), clearing(null), null],
    ['an administrator, any result', person(['administrator']), clearing('OV'), 'right-missing'],
    ['a signer, clearing', person(['signer']), clearing('OV'), 'right-missing'],
    ['a viewer, clearing', person(['viewer']), clearing('OV'), 'right-missing'],
    ['nobody in particular', person([]), clearing('OV'), 'right-missing'],
    ['an approver, of another', person(['mapping-approver']), approving('ode'), null],
    [
      'an approver, of an own proposal',
      person(['mapping-editor', 'mapping-approver']),
      approving('mira'),
      'duty-own-proposal',
    ],
    [
      'an approver, of a proposal under an account of their own that ended',
      person(['mapping-editor', 'mapping-approver']),
      approving('mira before'),
      'duty-own-proposal',
    ],
    [
      'an approver, of what nobody can say who proposed',
      person(['mapping-approver']),
      approving(null),
      'duty-own-proposal',
    ],
    ['an editor, approving', person(['mapping-editor']), approving('ode'), 'right-missing'],
    [
      'roles for somebody else',
      person(['administrator']),
      roles('ode', ['viewer'], ['reviewer']),
      null,
    ],
    [
      'roles for oneself',
      person(['administrator']),
      roles('mira', ['administrator'], ['administrator', 'signer']),
      'duty-own-roles',
    ],
    [
      'one role of one’s own for another',
      person(['administrator']),
      roles('mira', ['administrator', 'viewer'], ['administrator', 'signer']),
      'duty-own-roles',
    ],
    [
      'giving up a role of one’s own',
      person(['administrator']),
      roles('mira', ['administrator', 'viewer'], ['administrator']),
      null,
    ],
    [
      'giving up the last administrator',
      person(['administrator']),
      roles('mira', ['administrator'], [], ['mira']),
      'duty-last-administrator',
    ],
    [
      'taking the last administrator',
      person(['administrator']),
      roles('ode', ['administrator'], ['viewer'], ['ode']),
      'duty-last-administrator',
    ],
    [
      'a reviewer, giving roles',
      person(['reviewer']),
      roles('ode', [], ['viewer']),
      'right-missing',
    ],
  ])('%s', (_name, who, duty, code) => {
    expect(judgeDuty(who, duty)?.code ?? null).toBe(code);
  });
});
