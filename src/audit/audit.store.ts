import { uuidv7 } from 'uuidv7';
import type { Instant } from '../formats/instant.js';
import type { Trx } from '../storage/database.js';
import { preparedInsert } from '../storage/prepared.js';
import type { AuditEntryRow } from '../storage/tables.js';

export interface Actor {
  readonly kind: AuditEntryRow['actor_kind'];
  readonly name: string;
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

const insertEntry = preparedInsert('audit_entry');

/** Writes one entry of the trail in the transaction of the change it speaks of. */
export async function recordAudit(trx: Trx, event: AuditEvent): Promise<void> {
  await insertEntry(trx, {
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
  });
}
