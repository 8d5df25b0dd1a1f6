import type { JSX } from 'preact';
import { PROGRAM_ROLES, ROLES, type Role } from '../access/rights.js';

/** What a role lets a person do, in a line; `docs/rights.md` says it address by address. */
const ROLE_WORDS: Readonly<Record<Role, readonly [name: string, gives: string]>> = {
  viewer: ['Viewer', 'sees the pages'],
  reviewer: [
    'Reviewer',
    'clears, refuses and attributes results and signs statements as the second person; takes up stopped deliveries',
  ],
  signer: [
    'Signer',
    'lifts stops, and signs site decisions, versions of methods, reviews of the trail and the close of a period',
  ],
  receiver: ['Receiver', 'announces receipt lines by hand; signs and judges nothing'],
  'mapping-editor': ['Mapping editor', 'proposes mappings and versions of methods'],
  'mapping-approver': ['Mapping approver', 'approves mappings that somebody else proposed'],
  administrator: [
    'Administrator',
    'manages people and keys, pauses destinations; signs and judges nothing',
  ],
  'sync-pc': ['Sync PC', 'sends bundles'],
  'statement-reader': ['Statement reader', 'asks for statements'],
};

/** Roles that a person can hold, in the order in which they are shown. */
export const PERSON_ROLES: readonly Role[] = ROLES.filter((role) => !PROGRAM_ROLES.has(role));

export function Roles({ roles }: { readonly roles: readonly Role[] }): JSX.Element {
  if (roles.length === 0) return <span class="none">none</span>;
  return <span>{roles.map((role) => ROLE_WORDS[role][0]).join(', ')}</span>;
}

export function RoleChoices(props: { readonly chosen: readonly string[] }): JSX.Element {
  return (
    <fieldset>
      <legend>Roles at this site</legend>
      {PERSON_ROLES.map((role) => (
        <label class="choice" key={role}>
          <input type="checkbox" name="role" value={role} checked={props.chosen.includes(role)} />
          <span>
            {ROLE_WORDS[role][0]} <span class="small">{ROLE_WORDS[role][1]}</span>
          </span>
        </label>
      ))}
    </fieldset>
  );
}
