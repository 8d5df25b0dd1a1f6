import { type SqlBool, sql } from 'kysely';
import { type Actor, recordAudits } from '../audit/audit.store.js';
import type { Instant } from '../formats/instant.js';
import { step as reached } from '../step.js';
import type { Reader, Trx } from '../storage/database.js';
import { preparedMany } from '../storage/many-rows.js';
import { prepared } from '../storage/prepared.js';
import type { DeliveryFault, DeliveryRow, DeliveryState } from '../storage/tables.js';

const ACTOR: Actor = { kind: 'system', name: 'delivery' };

export interface AttemptEnd {
  readonly finishedAt: Instant;
  readonly outcome: string;
  readonly status: number | null;
  readonly answer: string | null;
  readonly detail: string | null;
}

export type EndedAttempt = Omit<AttemptEnd, 'finishedAt'> & { readonly id: string };

/** Closes attempt rows, each once. */
export async function finishAttempts(
  trx: Trx,
  attempts: readonly EndedAttempt[],
  finishedAt: Instant,
): Promise<void> {
  await closeAttempts(trx, attempts, { finishedAt });
}

const closeAttempts = preparedMany<EndedAttempt, never, { readonly finishedAt: Instant }>(
  ['id', 'outcome', 'status', 'answer', 'detail'],
  (db, rows, { finishedAt }) => ({
    compile: () =>
      sql<never>`
        with ended (id, outcome, status, answer, detail) as (values ${sql.join(
          rows.map(
            (row) => sql`(${asText(row.id)}, ${asText(row.outcome)}, ${asNumber(row.status)},
              ${asText(row.answer)}, ${asText(row.detail)})`,
          ),
        )})
        update attempt set finished_at = ${finishedAt}, outcome = ended.outcome,
          status = ended.status, answer = ended.answer, detail = ended.detail
        from ended where attempt.id = ended.id and attempt.finished_at is null`.compile(db),
  }),
);

/** What stands alone in a list of values has no type of its own on PostgreSQL. */
function asText(value: string | null) {
  return sql`cast(${value} as text)`;
}

function asNumber(value: number | null) {
  return sql`cast(${value} as bigint)`;
}

/** What a decision changes about a delivery; what is not named stays. */
export interface DeliveryChange {
  readonly state: DeliveryState;
  readonly due_at?: Instant;
  readonly next_ask_at?: Instant | null;
  readonly absent_asks?: number;
  readonly attempts_before?: number;
  readonly ask_since?: Instant | null;
  readonly fence?: number;
  readonly accepted_at?: Instant;
  readonly confirmed_at?: Instant;
  readonly destination_reference?: string | null;
  readonly reason?: string | null;
  readonly fault?: DeliveryFault | null;
  readonly claimed_by?: null;
}

export interface Held {
  readonly id: string;
  readonly state: DeliveryState;
  readonly fence: number;
}

/**
 * Applies a decision if the delivery still stands as the decision saw it: same state, same fence. False when
 * it does not, and then nothing changed.
 */
export async function changeDelivery(
  trx: Trx,
  held: Held,
  change: DeliveryChange,
): Promise<boolean> {
  const columns = Object.keys(change) as (keyof DeliveryChange)[];
  const { id: heldId, state, fence: heldFence } = held;
  const shape = `${state} ${columns.join(' ')}`;
  const update = UPDATES.get(shape) ?? preparedUpdate(state, columns);
  UPDATES.set(shape, update);
  return (await update(trx, { ...change, heldId, heldFence })).written === 1;
}

interface Holding {
  readonly heldId: string;
  readonly heldFence: number;
}

/** One for each state and set of columns that some decision names; there are about two dozen. */
const UPDATES = new Map<string, ReturnType<typeof preparedUpdate>>();

/** The state is written out: compared with a bound value, SQLite would plan this anew at every run. */
function preparedUpdate(state: DeliveryState, columns: readonly (keyof DeliveryChange)[]) {
  return prepared((db, to: DeliveryChange & Holding) =>
    db
      .updateTable('delivery')
      .set(Object.fromEntries(columns.map((column) => [column, to[column]])))
      .where('id', '=', to.heldId)
      .where('state', '=', sql.lit(state))
      .where('fence', '=', to.heldFence),
  );
}

export interface DeliveryAudit {
  readonly row: Pick<DeliveryRow, 'id' | 'site' | 'destination' | 'message' | 'state'>;
  readonly zone: string;
  readonly at: Instant;
  readonly action: string;
  readonly reason: string | null;
  readonly after: DeliveryChange | { readonly outcome: string };
}

/** A delivery that was sent and accepted. */
export interface Acceptance {
  readonly id: string;
  readonly fence: number;
  readonly askAt: Instant | null;
  readonly reference: string | null;
  readonly fault: DeliveryFault | null;
}

/** As `changeDelivery`, for sends that were accepted; returns the ids of those that stood as claimed. */
export async function acceptDeliveries(
  trx: Trx,
  accepted: readonly Acceptance[],
  now: Instant,
): Promise<ReadonlySet<string>> {
  const { rows } = await moveToAccepted(trx, accepted, { now });
  return new Set(rows.map(({ id }) => id));
}

const moveToAccepted = preparedMany<Acceptance, { id: string }, { readonly now: Instant }>(
  ['id', 'fence', 'askAt', 'reference', 'fault'],
  (db, rows, { now }) => ({
    compile: () =>
      sql<{ id: string }>`
        with ended (id, fence, ask_at, reference, fault) as (values ${sql.join(
          rows.map(
            (row) => sql`(${asText(row.id)}, ${asNumber(row.fence)}, ${asNumber(row.askAt)},
              ${asText(row.reference)}, ${asText(row.fault)})`,
          ),
        )})
        update delivery set state = 'accepted', accepted_at = ${now}, next_ask_at = ended.ask_at,
          destination_reference = ended.reference, fault = ended.fault, reason = null,
          claimed_by = null
        from ended where delivery.id = ended.id and delivery.state = 'sending'
          and delivery.fence = ended.fence
        returning delivery.id`.compile(db),
  }),
);

/** The audit entry of a delivery's change, in the transaction of the change. */
export async function auditDelivery(
  trx: Trx,
  row: DeliveryAudit['row'],
  entry: Omit<DeliveryAudit, 'row'>,
): Promise<void> {
  await auditDeliveries(trx, [{ row, ...entry }]);
}

export async function auditDeliveries(trx: Trx, entries: readonly DeliveryAudit[]): Promise<void> {
  const events = entries.map(({ row, zone, at, action, reason, after }) => ({
    site: row.site,
    zone,
    at,
    actor: ACTOR,
    action,
    subjectKind: 'delivery',
    subjectId: row.id,
    ...(reason === null ? {} : { reason }),
    before: { state: row.state, destination: row.destination, message: row.message },
    after,
  }));
  await recordAudits(trx, events);
  reached('S14');
}

/** Start of the last attempt of a *conforms* of this receipt here, null when none was made. */
export async function lastConformsAttempt(
  reader: Reader,
  of: { readonly site: string; readonly destination: string; readonly receiptId: string | null },
): Promise<Instant | null> {
  if (of.receiptId === null) return null;
  const row = await reader
    .selectFrom('attempt')
    .innerJoin('delivery', 'delivery.id', 'attempt.delivery_id')
    .select((eb) => eb.fn.max('attempt.started_at').as('at'))
    .where('delivery.site', '=', of.site)
    .where('delivery.receipt_id', '=', of.receiptId)
    .where('delivery.destination', '=', of.destination)
    .where('delivery.message', '=', 'statement')
    .where('delivery.barrier', '=', 1)
    .where('attempt.kind', '=', 'send')
    .executeTakeFirst();
  return row?.at ?? null;
}

type Overtaking = Pick<DeliveryRow, 'site' | 'receipt_id' | 'destination' | 'subject_revision'>;

/**
 * A stop was shown in force here: *conforms* of lower revisions that are doubtful or not applied yet are
 * superseded and free their key, and so are earlier stops that did not get through, one that is being sent now too: a
 * destination that refuses it, since it knows a later one, would count as one that no stop gets through to. Returns what
 * it superseded; the caller writes the trail.
 */
export async function supersedeBelowStop(
  trx: Trx,
  stop: Overtaking,
): Promise<readonly OvertakenDelivery[]> {
  const conforms = await supersedeOlder(trx, stop)
    .where('message', '=', 'statement')
    .where('barrier', '=', 1)
    .where('state', 'in', ['uncertain', 'accepted'])
    .returning(OVERTAKEN)
    .execute();
  const stops = await supersedeOlder(trx, stop)
    .where('message', '=', 'stop')
    .where('state', 'in', ['due', 'building', 'sending', 'uncertain', 'accepted'])
    .returning(OVERTAKEN)
    .execute();
  return [...conforms, ...stops];
}

const OVERTAKEN = ['id', 'message', 'subject_id', 'reason'] as const;
export type OvertakenDelivery = Pick<DeliveryRow, (typeof OVERTAKEN)[number]>;

/**
 * A later statement was shown in force here: earlier ones that were taken need not be applied any more. Returns
 * them; the caller writes the trail.
 */
export async function supersedeBelowStatement(
  trx: Trx,
  statement: Overtaking,
): Promise<readonly OvertakenDelivery[]> {
  const { site, receipt_id, destination, subject_revision } = statement;
  const { rows } = await supersedeTaken(trx, {
    site,
    receipt_id,
    destination,
    subject_revision,
    reason: reasonOf(statement),
  });
  return rows;
}

const supersedeTaken = prepared((db, than: Overtaking & { readonly reason: string }) =>
  supersedeOlder(db, than, than.reason)
    // Written out: compared with a bound value, SQLite would plan this anew at every run.
    .where(sql<SqlBool>`message = 'statement' and state = 'accepted'`)
    .returning(OVERTAKEN),
);

function reasonOf(than: Overtaking): string {
  return `revision ${than.subject_revision} is in force there`;
}

function supersedeOlder(db: Reader, than: Overtaking, reason = reasonOf(than)) {
  return db
    .updateTable('delivery')
    .set((eb) => ({
      state: 'superseded',
      reason,
      fence: eb('fence', '+', 1),
      next_ask_at: null,
    }))
    .where('site', '=', than.site)
    .where('receipt_id', '=', than.receipt_id)
    .where('destination', '=', than.destination)
    .where('subject_revision', '<', than.subject_revision);
}

/** Marks a stop effective once every destination that got it has shown it; true when it was not before. */
export async function markStopEffective(
  trx: Trx,
  site: string,
  stopId: string,
  now: Instant,
): Promise<boolean> {
  const open = await trx
    .selectFrom('delivery')
    .select('id')
    .where('site', '=', site)
    .where('subject_kind', '=', 'stop')
    .where('subject_id', '=', stopId)
    .where('state', 'not in', ['confirmed', 'superseded', 'cancelled'])
    .limit(1)
    .executeTakeFirst();
  if (open !== undefined) return false;
  const marked = await trx
    .updateTable('stop')
    .set({ effective_at: now })
    .where('site', '=', site)
    .where('id', '=', stopId)
    .where('effective_at', 'is', null)
    .executeTakeFirst();
  return marked.numUpdatedRows > 0n;
}
