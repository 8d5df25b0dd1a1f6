import { describe, expect, it } from 'vitest';
import {
  PROGRAM_ROLES,
  RIGHTS,
  RIGHTS_OF_CONTROL,
  RIGHTS_OF_ROLE,
  type Right,
  ROLES,
  rightsOfRoles,
  rightsOfScopes,
} from '../../src/access/rights.js';

const JUDGING: readonly Right[] = [
  'result.review',
  'result.reattribute',
  'signature.make',
  'mapping.approve',
  'trail.review',
  'period.close',
];

describe('rights', () => {
  it('are held by nobody without a role or a scope', () => {
    expect([...rightsOfRoles([]), ...rightsOfScopes([])]).toEqual([]);
  });

  it('of judging are given neither to the administrator, nor to a program, nor to the command line', () => {
    for (const role of ['administrator', ...PROGRAM_ROLES] as const) {
      expect(RIGHTS_OF_ROLE[role].filter((right) => JUDGING.includes(right))).toEqual([]);
    }
    expect(JUDGING.filter((right) => RIGHTS_OF_CONTROL.has(right))).toEqual([]);
    const scopes = rightsOfScopes(['bundle:write', 'expectation:write', 'statement:read', 'read']);
    expect(JUDGING.filter((right) => scopes.has(right))).toEqual([]);
  });

  it('of managing people and keys are the administrator’s alone', () => {
    for (const right of ['people.manage', 'keys.manage'] as const) {
      expect(ROLES.filter((role) => RIGHTS_OF_ROLE[role].includes(right))).toEqual([
        'administrator',
      ]);
    }
  });

  it('of running the gateway’s own commands are no role’s and no key’s', () => {
    expect(ROLES.filter((role) => RIGHTS_OF_ROLE[role].includes('control'))).toEqual([]);
  });

  it('each belong to somebody: a right that nobody can hold is a mistake', () => {
    const held = new Set<Right>([
      ...rightsOfRoles(ROLES),
      ...rightsOfScopes(['expectation:write']),
      ...RIGHTS_OF_CONTROL,
    ]);
    expect(RIGHTS.filter((right) => !held.has(right))).toEqual([]);
  });
});
