import { type ExpressionBuilder, sql } from 'kysely';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { skipLocked } from '../storage/dialect.js';
import { bounded, prepared } from '../storage/prepared.js';
import type { DeliveryRow, Tables } from '../storage/tables.js';
import { HOLDING_KEY, OPEN_STOP, TO_SEND } from './open-deliveries.store.js';

export type ClaimRow = DeliveryRow & {
  readonly ahead_in_key: number;
  readonly ahead_in_receipt: number;
  readonly is_current: 0 | 1;
};

export interface DueQuery extends DueValues {
  readonly honoursKey: boolean;
  readonly stops: boolean;
}

interface DueValues {
  readonly site: string;
  readonly destination: string;
  readonly now: Instant;
  readonly limit: number;
}

/**
 * Built deliveries that are due and first in their key, contrary ones first: known unsent, or doubtful at a
 * destination that honours the key. What waits behind another delivery is not listed, nor a *conforms* that
 * may not leave yet, so that it never takes the place of one that could go. They are locked for the claim;
 * what another transaction changes at the moment is passed over.
 */
export async function lockDueDeliveries(trx: Trx, of: DueQuery): Promise<readonly ClaimRow[]> {
  return (await dueQueries(of).rows(trx, of)).rows;
}

/** A first look at the same, which locks nothing: what is seen here may be gone when it is claimed. */
export interface SeenDue {
  readonly id: string;
  readonly barrier: 0 | 1;
  readonly receipt_id: string | null;
}

export async function lookForDue(reader: Reader, of: DueQuery): Promise<readonly SeenDue[]> {
  return (await dueQueries(of).seen(reader, of)).rows;
}

type DueKind = Pick<DueQuery, 'honoursKey' | 'stops'>;

const DUE_QUERIES = [
  preparedDue({ honoursKey: false, stops: false }),
  preparedDue({ honoursKey: true, stops: false }),
  preparedDue({ honoursKey: false, stops: true }),
  preparedDue({ honoursKey: true, stops: true }),
];

function dueQueries(kind: DueKind): ReturnType<typeof preparedDue> {
  return DUE_QUERIES[(kind.stops ? 2 : 0) + (kind.honoursKey ? 1 : 0)] ?? preparedDue(kind);
}

function preparedDue(kind: DueKind) {
  return {
    rows: prepared((db, of: DueValues) =>
      skipLocked(
        db,
        dueQuery(db, { ...kind, site: of.site, destination: of.destination, now: of.now })
          .selectAll('d')
          .select((eb) => [
            sql<number>`0`.as('ahead_in_key'),
            aheadInReceipt(eb).as('ahead_in_receipt'),
            isCurrent(eb).as('is_current'),
          ])
          .limit(bounded(of.limit)),
        'd',
      ),
    ),
    seen: prepared((db, of: DueValues) =>
      dueQuery(db, { ...kind, site: of.site, destination: of.destination, now: of.now })
        .select(['d.id', 'd.barrier', 'd.receipt_id'])
        .limit(bounded(of.limit)),
    ),
  };
}

function dueQuery(reader: Reader, of: Omit<DueQuery, 'limit'>) {
  return (
    reader
      .selectFrom('delivery as d')
      .where('d.site', '=', of.site)
      .where('d.destination', '=', of.destination)
      .where(of.stops ? OPEN_STOP : TO_SEND)
      .where('d.payload_sha256', 'is not', null)
      .where('d.due_at', '<=', of.now)
      .where((eb) => {
        const unsent = eb('d.state', '=', sql.lit('due'));
        if (!of.honoursKey && !of.stops) return unsent;
        return eb.or([unsent, waitsForResend(eb)]);
      })
      .where((eb) => (of.stops ? eb.lit(true) : eb('d.seq', '=', firstOfKey(eb))))
      .where((eb) => eb.or([eb('d.barrier', '=', 0), conformsMayLeave(eb, of)]))
      // Stops are few, all contrary, and wait for none of one another.
      .$if(!of.stops, (query) =>
        query.orderBy('d.contrary', 'desc').orderBy('d.due_at').orderBy('d.seq'),
      )
  );
}

type OfDelivery = ExpressionBuilder<Tables & { d: DeliveryRow }, 'd'>;

/**
 * Doubtful, and nobody asks about it: it was decided that it is sent again, by a rule or by a person. What fault led there
 * makes no difference, and stays named until the destination has answered.
 */
function waitsForResend(eb: OfDelivery) {
  return eb.and([eb('d.state', '=', sql.lit('uncertain')), eb('d.next_ask_at', 'is', null)]);
}

/**
 * The number at which the key of a delivery stands. Asked as a value and not whether an earlier one exists: PostgreSQL
 * makes a join of that, and by the statistics of a queue that was empty once it reads all that waits for each row.
 */
function firstOfKey(eb: OfDelivery) {
  return eb
    .selectFrom('delivery as e')
    .select((of) => of.fn.min('e.seq').as('seq'))
    .whereRef('e.site', '=', 'd.site')
    .whereRef('e.destination', '=', 'd.destination')
    .whereRef('e.ordering_key', '=', 'd.ordering_key')
    .where(HOLDING_KEY);
}

/**
 * Current, with nothing of its receipt before it, no fact of its receipt waiting to be evaluated (it may be
 * untrue already), and no stop failing here (rule 22).
 */
function conformsMayLeave(eb: OfDelivery, of: Pick<DueQuery, 'site' | 'destination'>) {
  return eb.and([
    eb(isCurrent(eb), '=', 1),
    eb(aheadInReceipt(eb), '=', 0),
    eb.not(eb.exists(evaluationDue(eb))),
    // Names the destination itself, so that it is asked once and not for every row.
    eb.not(eb.exists(failingStop(eb, of.site, of.destination))),
    eb.not(eb.exists(heldConforms(eb, of.site, of.destination))),
  ]);
}

function evaluationDue(eb: OfDelivery) {
  return eb
    .selectFrom('receipt as c')
    .select('c.id')
    .whereRef('c.site', '=', 'd.site')
    .whereRef('c.id', '=', 'd.receipt_id')
    .where('c.evaluation_due', '=', 1);
}

function failingStop(
  eb: Pick<ExpressionBuilder<Tables, never>, 'selectFrom'>,
  site: string,
  destination: string,
) {
  return eb
    .selectFrom('delivery as f')
    .select('f.id')
    .where('f.site', '=', site)
    .where('f.destination', '=', destination)
    .where(OPEN_STOP)
    .where('f.fault', 'is not', null);
}

/** The destination changed, was not looked at since it was last away, or differs in many records (rules 20, 27). */
function heldConforms(
  eb: Pick<ExpressionBuilder<Tables, never>, 'selectFrom'>,
  site: string,
  destination: string,
) {
  return eb
    .selectFrom('destination_watch as w')
    .select('w.destination')
    .where('w.site', '=', site)
    .where('w.destination', '=', destination)
    .where((e) =>
      e.or([
        e('w.hold', 'is not', null),
        e('w.difference', 'is not', null),
        e('w.must_look', '=', 1),
      ]),
    );
}

/** Results and withdrawals of the receipt that are still on their way here; only a *conforms* asks. */
function aheadInReceipt(eb: OfDelivery) {
  const waiting = eb
    .selectFrom('delivery as r')
    .select((e) => e.fn.countAll<number>().as('n'))
    .whereRef('r.site', '=', 'd.site')
    .whereRef('r.receipt_id', '=', 'd.receipt_id')
    .whereRef('r.destination', '=', 'd.destination')
    .where('r.subject_kind', 'in', ['result', 'withdrawal'])
    .where(HOLDING_KEY);
  return sql<number>`case when ${eb.ref('d.barrier')} = 1 then ${waiting} else 0 end`;
}

/**
 * Rule 21, for a *conforms*: no later statement of the receipt, here or at a destination that another life of
 * this database told, and no stop in force. Rule 25, for a result: it stands as it is said there, or what takes it back
 * follows it there.
 */
function isCurrent(eb: OfDelivery) {
  const later = eb
    .selectFrom('statement as s')
    .select('s.revision')
    .whereRef('s.site', '=', 'd.site')
    .whereRef('s.receipt_id', '=', 'd.receipt_id')
    .whereRef('s.revision', '>', 'd.subject_revision');
  const stopped = eb
    .selectFrom('stop as p')
    .select('p.id')
    .whereRef('p.site', '=', 'd.site')
    .whereRef('p.receipt_id', '=', 'd.receipt_id')
    .where('p.lifted_at', 'is', null);
  const outlived = eb
    .selectFrom('receipt as o')
    .select('o.id')
    .whereRef('o.site', '=', 'd.site')
    .whereRef('o.id', '=', 'd.receipt_id')
    .whereRef('o.revision_floor', '>=', 'd.subject_revision');
  // As a value: PostgreSQL could make a join of it with every result there is.
  const overtaken = eb
    .selectFrom('result as v')
    .select(sql.lit(0).as('is_current'))
    .whereRef('v.id', '=', 'd.subject_id')
    .where((e) =>
      e.or([
        e('v.revision', '>', e.ref('d.subject_revision')),
        e('v.state', '<>', sql.lit('accepted')),
      ]),
    )
    .where((e) => e(withdrawalsBehind(e), '=', sql.lit(0)));
  return sql<0 | 1>`case
    when ${eb.ref('d.barrier')} = 1 and (exists ${later} or exists ${outlived} or exists ${stopped}) then 0
    when ${eb.ref('d.subject_kind')} = 'result' then coalesce(${overtaken}, 1)
    else 1 end`;
}

/** Deliveries, to the same destination, of what withdraws the revision that a delivery of a result says. */
function withdrawalsBehind(eb: OfDelivery) {
  // There is one for each revision.
  const withdrawal = eb
    .selectFrom('withdrawal as x')
    .select('x.id')
    .whereRef('x.result_row_id', '=', 'd.subject_id')
    .whereRef('x.result_revision', '=', 'd.subject_revision');
  return eb
    .selectFrom('delivery as y')
    .select((e) => e.fn.countAll<number>().as('n'))
    .whereRef('y.site', '=', 'd.site')
    .where('y.subject_kind', '=', sql.lit('withdrawal'))
    .where('y.subject_id', '=', withdrawal)
    .whereRef('y.destination', '=', 'd.destination');
}

/** Doubts moved in one transaction. */
const UNMOVED_MAX = 200;

/**
 * Deliveries that wait to be sent again and that no claim takes: the destination honours no key (any more), there is no
 * payload, or a *conforms* or a result is not current. One whose stop is on its way to the same place waits for that.
 */
export function unmoved(
  reader: Reader,
  of: { readonly site: string; readonly destination: string; readonly honoursKey: boolean },
): Promise<DeliveryRow[]> {
  return reader
    .selectFrom('delivery as d')
    .selectAll('d')
    .where('d.site', '=', of.site)
    .where('d.destination', '=', of.destination)
    .where('d.message', '<>', sql.lit('stop'))
    .where((eb) => waitsForResend(eb))
    .where((eb) =>
      of.honoursKey
        ? eb.or([eb('d.payload_sha256', 'is', null), eb(isCurrent(eb), '=', 0)])
        : eb.lit(true),
    )
    .where((eb) => eb.or([eb('d.barrier', '=', 0), eb.not(eb.exists(stopAbove(eb)))]))
    .limit(UNMOVED_MAX)
    .execute();
}

function stopAbove(eb: OfDelivery) {
  return eb
    .selectFrom('delivery as u')
    .select('u.id')
    .whereRef('u.site', '=', 'd.site')
    .whereRef('u.destination', '=', 'd.destination')
    .whereRef('u.receipt_id', '=', 'd.receipt_id')
    .whereRef('u.subject_revision', '>', 'd.subject_revision')
    .where(OPEN_STOP);
}

/**
 * True while a *conforms* may still be sent by rule 21, and a result by rule 25: what does not stand is not posted anew.
 * Anything else always may.
 */
export async function maySendAgain(
  reader: Reader,
  delivery: Pick<DeliveryRow, 'id' | 'barrier' | 'subject_kind'>,
): Promise<boolean> {
  if (delivery.barrier === 0 && delivery.subject_kind !== 'result') return true;
  const row = await reader
    .selectFrom('delivery as d')
    .select((eb) => isCurrent(eb).as('is_current'))
    .where('d.id', '=', delivery.id)
    .executeTakeFirstOrThrow();
  return row.is_current === 1;
}

/** True while a stop of the receipt above this revision is on its way to the same destination. */
export async function isStopOnItsWay(
  reader: Reader,
  below: Pick<DeliveryRow, 'site' | 'destination' | 'receipt_id' | 'subject_revision'>,
): Promise<boolean> {
  const row = await reader
    .selectFrom('delivery')
    .select('id')
    .where('site', '=', below.site)
    .where('destination', '=', below.destination)
    .where('receipt_id', '=', below.receipt_id)
    .where('subject_revision', '>', below.subject_revision)
    .where(OPEN_STOP)
    .limit(1)
    .executeTakeFirst();
  return row !== undefined;
}

/** True when a stop at this destination was refused, broke its contract or proved not effective. */
export async function hasFailingStop(
  trx: Trx,
  site: string,
  destination: string,
): Promise<boolean> {
  const row = await failingStop(trx, site, destination).limit(1).executeTakeFirst();
  return row !== undefined;
}
