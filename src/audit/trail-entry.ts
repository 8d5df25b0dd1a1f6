import { canonicalJson } from '../formats/canonical-json.js';
import { formatInstant, type Instant } from '../formats/instant.js';
import type { AuditEntryRow } from '../storage/tables.js';

/**
 * An entry as it is sealed: everything a row says, by name. `before` and `after` are the JSON texts as they were
 * written, so that sealing them never rewrites them. The seal covers exactly the RFC 8785 form of this.
 */
export interface TrailEntry {
  readonly algorithm: string | null;
  /** Place in the chain of its site, from 0 without gaps. */
  readonly sequence: number | null;
  readonly id: string;
  readonly site: string;
  /** RFC 3339 in UTC: when the change was made, as its transaction committed it. */
  readonly at: string;
  readonly zone: string;
  readonly actorKind: string;
  readonly actor: string;
  readonly source: string | null;
  readonly action: string;
  readonly subjectKind: string;
  readonly subjectId: string;
  readonly reason: string | null;
  readonly before: string | null;
  readonly after: string | null;
  /** RFC 3339 in UTC, by the sealer's clock. */
  readonly sealedAt: string | null;
}

/** An entry with the hash that stands beside it; null while nobody has sealed it. */
export interface SealedEntry {
  readonly entry: TrailEntry;
  /** Lower-case hex. */
  readonly hash: string | null;
}

/** Every column of a row has its place in the entry: whatever of it is changed changes the entry. */
export function trailEntryOf(row: AuditEntryRow): TrailEntry {
  return {
    algorithm: row.algorithm,
    sequence: row.sequence,
    id: row.id,
    site: row.site,
    at: instantText(row.at),
    zone: row.zone,
    actorKind: row.actor_kind,
    actor: row.actor,
    source: row.source,
    action: row.action,
    subjectKind: row.subject_kind,
    subjectId: row.subject_id,
    reason: row.reason,
    before: row.before,
    after: row.after,
    sealedAt: row.sealed_at === null ? null : instantText(row.sealed_at),
  };
}

/** The bytes that are chained and hashed into the tree. */
export function entryBytes(entry: TrailEntry): Buffer {
  return Buffer.from(canonicalJson(entry), 'utf8');
}

/** Microseconds that `Date` can write; beyond them a row was not written by the service. */
const MICROS_MAX = 8.64e18;

/** Total, for rows that somebody else has written into: two values never give one text. */
function instantText(value: Instant): string {
  const isInstant = Number.isSafeInteger(value) && Math.abs(value) <= MICROS_MAX;
  return isInstant ? formatInstant(value) : `no instant: ${typeof value} ${String(value)}`;
}
