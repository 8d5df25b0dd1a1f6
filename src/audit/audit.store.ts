import { uuidv7 } from 'uuidv7';
import type { Instant } from '../formats/instant.js';
import type { Trx } from '../storage/database.js';
import { preparedInsertMany } from '../storage/many-rows.js';
import type { AuditEntryRow } from '../storage/tables.js';

export interface Actor {
  readonly kind: AuditEntryRow['actor_kind'];
  readonly name: string;
  /** Address of the computer the change was asked from; absent for what the service does by itself. */
  readonly source?: string;
}

export interface AuditEvent {
  readonly site: string;
  readonly zone: string;
  readonly at: Instant;
  readonly actor: Actor;
  /** Verb of the change in the past tense, e.g. `bundle.accepted`. */
  readonly action: string;
  readonly subjectKind: string;
  readonly subjectId: string;
  readonly reason?: string;
  readonly before?: unknown;
  readonly after?: unknown;
}

const insertEntries = preparedInsertMany('audit_entry', [
  'id',
  'site',
  'at',
  'zone',
  'actor_kind',
  'actor',
  'action',
  'subject_kind',
  'subject_id',
  'reason',
  'before',
  'after',
  'sequence',
  'source',
]);

/** Writes one entry of the trail in the transaction of the change it speaks of. */
export async function recordAudit(trx: Trx, event: AuditEvent): Promise<void> {
  await recordAudits(trx, [event]);
}

/** As `recordAudit`, for what one transaction changes together; the rows as they were written. */
export async function recordAudits(
  trx: Trx,
  events: readonly AuditEvent[],
): Promise<readonly AuditEntryRow[]> {
  const rows = events.map(entryOf);
  await insertEntries(trx, rows);
  return rows;
}

function entryOf(event: AuditEvent): AuditEntryRow {
  return {
    id: uuidv7(),
    site: event.site,
    at: event.at,
    zone: event.zone,
    actor_kind: event.actor.kind,
    actor: event.actor.name,
    action: event.action,
    subject_kind: event.subjectKind,
    subject_id: event.subjectId,
    reason: event.reason ?? null,
    before: event.before === undefined ? null : JSON.stringify(event.before),
    after: event.after === undefined ? null : JSON.stringify(event.after),
    sequence: null,
    source: event.actor.source ?? null,
    algorithm: null,
    hash: null,
    sealed_at: null,
  };
}
