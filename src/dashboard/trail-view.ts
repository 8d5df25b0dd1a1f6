import type { TrailFilter, TrailPlace } from '../audit/trail-filter.js';
import type { Instant } from '../formats/instant.js';
import { formatInZone } from '../formats/time-zone.js';
import { siteDay } from '../reconciliation/site-day.js';
import type { AuditEntryRow } from '../storage/tables.js';
import type { MomentView, SiteView } from './day-view.js';
import { moment } from './local-time.js';

/** Fields of the form, as they were sent; a page shows them again. */
export const TRAIL_FIELDS = ['from', 'to', 'actor', 'action', 'subject', 'reason'] as const;
export type TrailField = (typeof TRAIL_FIELDS)[number];
export type TrailQuery = Readonly<Partial<Record<TrailField | 'behind', string>>>;

export interface TrailView {
  readonly site: SiteView;
  readonly asOf: MomentView;
  readonly query: TrailQuery;
  /** What is wrong with the form; nothing was looked for then. */
  readonly fault: string | null;
  readonly entries: readonly TrailEntryView[];
  /** Query of the next page; null on the last. */
  readonly next: string | null;
}

export interface TrailEntryView {
  readonly id: string;
  readonly at: MomentView;
  readonly actor: string;
  /** User name of the person whose account `actor` names; null for everybody else. */
  readonly userName: string | null;
  readonly source: string | null;
  readonly action: string;
  readonly subject: string;
  readonly reason: string | null;
  readonly changes: readonly ChangeView[];
  /** Number in the chain and the first digits of its hash; null while it waits for its seal. */
  readonly seal: { readonly sequence: number; readonly hash: string } | null;
}

/** One member that an entry changed; null where it was not there. */
export interface ChangeView {
  readonly name: string;
  readonly before: string | null;
  readonly after: string | null;
}

export const TRAIL_PAGE = 50;
const FIELD_LENGTH_MAX = 200;
const SHOWN_LENGTH_MAX = 400;

export type ReadQuery =
  | { readonly ok: true; readonly filter: TrailFilter; readonly behind: TrailPlace | null }
  | { readonly ok: false; readonly fault: string };

/** Reads the form: days are days of the site's zone, the last one included. */
export function readTrailQuery(query: TrailQuery, timeZone: string): ReadQuery {
  for (const name of TRAIL_FIELDS) {
    if ((query[name]?.length ?? 0) > FIELD_LENGTH_MAX) {
      return { ok: false, fault: `${name}: expected at most ${FIELD_LENGTH_MAX} characters` };
    }
  }
  const text = (name: TrailField) => query[name]?.trim() || null;
  const [first, last] = [text('from'), text('to')];
  const from = first === null ? null : siteDay(first, timeZone);
  const to = last === null ? null : siteDay(last, timeZone);
  if ((first !== null && from === null) || (last !== null && to === null)) {
    return { ok: false, fault: 'days: expected a calendar day as YYYY-MM-DD' };
  }
  const behind = query.behind === undefined ? null : readPlace(query.behind);
  if (query.behind !== undefined && behind === null) {
    return { ok: false, fault: 'behind: expected what the link to the next page holds' };
  }
  const filter = {
    from: from?.from ?? null,
    to: to?.to ?? null,
    actor: text('actor'),
    action: text('action'),
    subject: text('subject'),
    reason: text('reason'),
  };
  return { ok: true, filter, behind };
}

function readPlace(text: string): TrailPlace | null {
  const match = /^(-?\d{1,16})\.([\w-]{1,64})$/.exec(text);
  return match ? { at: Number(match[1]) as Instant, id: match[2] ?? '' } : null;
}

/** Query string of the page behind the last of these rows; null when there are no more. */
export function nextPage(query: TrailQuery, rows: readonly AuditEntryRow[]): string | null {
  const last = rows[TRAIL_PAGE - 1];
  if (rows.length <= TRAIL_PAGE || last === undefined) return null;
  const parameters = new URLSearchParams();
  for (const name of TRAIL_FIELDS) if (query[name]) parameters.set(name, query[name]);
  parameters.set('behind', `${last.at}.${last.id}`);
  return parameters.toString();
}

/** Who an entry is by, as it is stored. */
export function actorOf(row: AuditEntryRow): string {
  return `${row.actor_kind} ${row.actor}`;
}

/** @param userNames of people, by their `actor` */
export function trailEntryView(
  row: AuditEntryRow,
  userNames: ReadonlyMap<string, string>,
  timeZone: string,
): TrailEntryView {
  const actor = actorOf(row);
  return {
    id: row.id,
    at: moment(row.at, timeZone),
    actor,
    userName: userNames.get(actor) ?? null,
    source: row.source,
    action: row.action,
    subject: `${row.subject_kind} ${row.subject_id}`,
    reason: row.reason,
    changes: changesOf(row.before, row.after, timeZone),
    seal:
      row.sequence === null
        ? null
        : { sequence: row.sequence, hash: (row.hash ?? '').slice(0, 12) },
  };
}

/**
 * What differs between two JSON texts, member by member; a value that is no object is one member. Entries keep instants
 * as numbers, which nobody can read: they are told by the site's clock, exactly.
 */
export function changesOf(
  before: string | null,
  after: string | null,
  timeZone: string,
): ChangeView[] {
  const [old, now] = [membersOf(before, timeZone), membersOf(after, timeZone)];
  const names = [...new Set([...old.keys(), ...now.keys()])];
  return names
    .map((name) => ({ name, before: old.get(name) ?? null, after: now.get(name) ?? null }))
    .filter((change) => change.before !== change.after);
}

function membersOf(text: string | null, timeZone: string): Map<string, string> {
  if (text === null) return new Map();
  const value = parsed(text);
  const isObject = typeof value === 'object' && value !== null && !Array.isArray(value);
  const members = isObject ? Object.entries(value) : [['value', value] as const];
  return new Map(
    members.map(([name, member]) => [
      name,
      isInstant(name, member) ? formatInZone(member, timeZone) : shown(member),
    ]),
  );
}

/** Microseconds since 1970, from 2001 to 2286, under a name of ours for an instant. */
function isInstant(name: string, value: unknown): value is Instant {
  const isNamedSo = /(?:At|_at|Until|_until)$/.test(name);
  return isNamedSo && Number.isSafeInteger(value) && Number(value) >= 1e15 && Number(value) < 1e16;
}

function parsed(text: string): unknown {
  try {
    return JSON.parse(text);
  } catch {
    // An entry that somebody has written into is shown as it is.
    return text;
  }
}

function shown(value: unknown): string {
  const text = typeof value === 'string' ? value : (JSON.stringify(value) ?? '');
  return text.length <= SHOWN_LENGTH_MAX ? text : `${text.slice(0, SHOWN_LENGTH_MAX)}…`;
}
