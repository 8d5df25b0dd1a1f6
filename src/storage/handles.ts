import type { Kysely, Transaction } from 'kysely';
import type { Tables } from './tables.js';

export type Db = Kysely<Tables>;
export type Trx = Transaction<Tables>;
/** For queries that read and may run inside or outside a transaction. */
export type Reader = Db | Trx;
