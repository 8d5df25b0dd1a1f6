import type { Scope } from './api-key.js';

/** What somebody may do, as a closed list. A right that no role, scope or rule gives is held by nobody. */
export const RIGHTS = [
  'pages.read',
  'statement.read',
  'bundle.write',
  'expectation.write',
  'result.review',
  'result.reattribute',
  'signature.make',
  'mapping.propose',
  'mapping.approve',
  'method.propose',
  'method.approve',
  'decision.sign',
  'people.manage',
  'keys.manage',
  'trail.read',
  'trail.review',
  'discrepancy.comment',
  'period.close',
  'stop.lift',
  'receipt.manage',
  'destination.pause',
  'delivery.resend',
  'control',
] as const;

export type Right = (typeof RIGHTS)[number];

export const ROLES = [
  'viewer',
  'reviewer',
  'signer',
  'receiver',
  'mapping-editor',
  'mapping-approver',
  'administrator',
  'sync-pc',
  'statement-reader',
] as const;

export type Role = (typeof ROLES)[number];

/** Roles of programs; they are carried by API keys, never by a person. */
export const PROGRAM_ROLES: ReadonlySet<Role> = new Set(['sync-pc', 'statement-reader']);

/**
 * What each role gives. The administrator makes people and keys and signs nothing; whoever is to do both needs
 * two roles, given by somebody else, and the trail shows it.
 */
export const RIGHTS_OF_ROLE: Readonly<Record<Role, readonly Right[]>> = {
  viewer: ['pages.read'],
  reviewer: [
    'pages.read',
    'statement.read',
    'trail.read',
    'result.review',
    'result.reattribute',
    'signature.make',
    'discrepancy.comment',
    'receipt.manage',
    'delivery.resend',
  ],
  signer: [
    'pages.read',
    'statement.read',
    'trail.read',
    'trail.review',
    'signature.make',
    'discrepancy.comment',
    'period.close',
    'stop.lift',
    'method.approve',
    'decision.sign',
  ],
  // Says what should have arrived and judges nothing of it.
  receiver: ['pages.read', 'expectation.write'],
  'mapping-editor': ['pages.read', 'mapping.propose', 'method.propose'],
  'mapping-approver': ['pages.read', 'mapping.approve', 'signature.make'],
  administrator: ['pages.read', 'trail.read', 'people.manage', 'keys.manage', 'destination.pause'],
  'sync-pc': ['bundle.write'],
  'statement-reader': ['statement.read'],
};

export const RIGHTS_OF_SCOPE: Readonly<Record<Scope, readonly Right[]>> = {
  'bundle:write': RIGHTS_OF_ROLE['sync-pc'],
  'expectation:write': ['expectation.write'],
  'method:write': ['method.propose'],
  'statement:read': RIGHTS_OF_ROLE['statement-reader'],
  read: ['pages.read'],
};

/**
 * Commands on the gateway's own machine, by its control file: whoever runs the gateway may run it, and judges
 * nothing. What needs a person's judgement needs a person, also on the command line.
 */
export const RIGHTS_OF_CONTROL: ReadonlySet<Right> = new Set([
  'control',
  'pages.read',
  'statement.read',
  'bundle.write',
  'expectation.write',
  'people.manage',
  'keys.manage',
  'trail.read',
  'destination.pause',
]);

export function rightsOfRoles(roles: Iterable<Role>): ReadonlySet<Right> {
  return new Set([...roles].flatMap((role) => RIGHTS_OF_ROLE[role]));
}

export function rightsOfScopes(scopes: Iterable<Scope>): ReadonlySet<Right> {
  return new Set([...scopes].flatMap((scope) => RIGHTS_OF_SCOPE[scope]));
}

/** Scope of a key that gives this right; null when keys never hold it. */
export function scopeGiving(right: Right): Scope | null {
  const all = Object.entries(RIGHTS_OF_SCOPE) as [Scope, readonly Right[]][];
  return all.find(([, rights]) => rights.includes(right))?.[0] ?? null;
}

export function parseRole(text: string): Role | null {
  return ROLES.find((role) => role === text) ?? null;
}
