import { type SqlBool, sql } from 'kysely';

/**
 * The rows that each index of open deliveries holds (first migration), in the very words that made it: a
 * database uses such an index only for a query that says so itself, with the states written out. Columns are
 * those of the innermost `delivery` of the query.
 *
 * The other way round, SQLite plans a query anew at every run when it compares the state with a bound value,
 * since that value might suit one of these indexes. The large queries write their states out for that reason.
 */
export const TO_BUILD = sql<SqlBool>`state = 'due' and payload_sha256 is null`;
export const TO_SEND = sql<SqlBool>`state in ('due', 'uncertain') and payload_sha256 is not null and message <> 'stop'`;
/** The last term, true of every row, keeps this index out of the way of the claim. */
export const DUE_LATER = sql<SqlBool>`state in ('due', 'uncertain') and due_at > 0`;
export const UNDER_WAY = sql<SqlBool>`state in ('building', 'sending')`;
export const OPEN_STOP = sql<SqlBool>`message = 'stop' and state not in ('confirmed', 'cancelled', 'superseded')`;
export const HOLDING_KEY = sql<SqlBool>`state not in ('accepted', 'confirmed', 'cancelled', 'superseded')`;
export const NO_STOP = sql<SqlBool>`message <> 'stop'`;
