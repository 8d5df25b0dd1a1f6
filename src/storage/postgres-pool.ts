import type { Writable } from 'node:stream';
import type { PostgresPool, PostgresPoolClient } from 'kysely';
import pg from 'pg';
import { statementName } from './statement-names.js';

/** A transaction that nobody continues gives its locks back after this: its process may be stopped or cut off. */
const IDLE_IN_TRANSACTION_MS = 10_000;
/** Ends a statement at the server; the client gives up a little later, when even that answer never comes. */
const STATEMENT_MS = 20_000;
const ANSWER_MS = 25_000;
const CONNECT_MS = 5_000;
/** A silent connection is probed after this, so that one the other end has forgotten is found in seconds. */
const KEEP_ALIVE_AFTER_MS = 5_000;
const IDLE_CONNECTION_MS = 30_000;

/** Message of the driver for a query that was never answered. */
const UNANSWERED = 'Query read timeout';

/** Message of a query on a connection that is given up. */
export const CONNECTION_FAILED_BEFORE = 'the connection failed before';

/** Message of a query that somebody asks for once the end of their transaction has been asked for. */
const TRANSACTION_ENDED = 'the transaction has ended';
const ENDS_A_TRANSACTION = new Set(['commit', 'rollback']);

const INT8 = pg.types.builtins.INT8;

/** Instants and counters are whole numbers far below 2^53, and come as numbers from both databases. */
const types: pg.CustomTypesConfig = {
  getTypeParser: (id: number, format?: 'text' | 'binary') =>
    id === INT8 && format !== 'binary' ? Number : pg.types.getTypeParser(id, format as 'text'),
};

export interface PoolOptions {
  readonly url: string;
  readonly connectionsMax: number;
  readonly applicationName: string;
  /** False for migrations and copies, which may take their time and wait for one another. */
  readonly isBounded: boolean;
  /** How long a query of a bounded pool may stay without an answer; `ANSWER_MS` when left out. */
  readonly answerMs?: number;
  /** Server settings for every connection, as `name=value`. */
  readonly serverSettings?: readonly string[];
  /** Before a new connection is used for anything else; it is given up where this fails. */
  readonly onOpened?: (connection: Pick<GuardedClient, 'query'>) => Promise<void>;
  /** A connection failed while nobody used it; it is replaced. */
  readonly onLost?: (error: Error) => void;
}

/** Whatever the server grants others: a migration or a copy of a large database takes longer. */
const UNBOUNDED = ['statement_timeout=0', 'idle_in_transaction_session_timeout=0'];

/**
 * Connections to PostgreSQL as Kysely wants them. A connection that failed in any way but an error the server
 * reported is in an unknown state and never used again.
 */
export function openPool(options: PoolOptions): PostgresPool {
  const settings = [...(options.isBounded ? [] : UNBOUNDED), ...(options.serverSettings ?? [])];
  const { url, given } = withoutOptions(options.url);
  const pool = new pg.Pool({
    connectionString: url,
    max: options.connectionsMax,
    application_name: options.applicationName,
    connectionTimeoutMillis: CONNECT_MS,
    idleTimeoutMillis: IDLE_CONNECTION_MS,
    keepAlive: true,
    keepAliveInitialDelayMillis: KEEP_ALIVE_AFTER_MS,
    types,
    // What is asked side by side in a transaction is sent at once, not each behind the answer to the one before.
    pipeline: options.isBounded,
    ...(options.isBounded
      ? {
          statement_timeout: STATEMENT_MS,
          query_timeout: options.answerMs ?? ANSWER_MS,
          idle_in_transaction_session_timeout: IDLE_IN_TRANSACTION_MS,
        }
      : {}),
    // Of a setting that is named twice the server takes the last.
    options: [...given, ...settings.map((setting) => `-c ${setting}`)].join(' '),
  });
  pool.on('error', (error) => options.onLost?.(error));
  // A connection in use that dies between two queries says so here; the next query reports it.
  pool.on('connect', (client) => client.on('error', () => undefined));
  /**
   * A connection that went silent leaves a session behind that may hold what its transaction locked. The server ends it
   * when it was idle for so long by its wall clock: set back by an hour, an hour later. So it is ended from here.
   */
  const endSession = (pid: number): void => {
    pool.query(END_SESSION, [pid, options.applicationName]).catch(() => undefined);
  };
  const clients = new WeakMap<pg.PoolClient, GuardedClient>();
  return {
    connect: async () => {
      const client = await pool.connect();
      const known = clients.get(client);
      const guarded = known ?? new GuardedClient(client, endSession);
      if (known === undefined) {
        await options.onOpened?.(guarded).catch((error: unknown) => {
          guarded.release(true);
          throw error;
        });
        clients.set(client, guarded);
      }
      const lease = options.isBounded ? new Lease(guarded) : guarded;
      // Kysely asks for cursors too, and uses them only when its configuration names one.
      return lease as unknown as PostgresPoolClient;
    },
    end: () => pool.end(),
  };
}

/** The driver would let the address's own `options` take the place of ours, all of them. */
function withoutOptions(url: string): { readonly url: string; readonly given: readonly string[] } {
  const address = new URL(url);
  const given = address.searchParams.getAll('options');
  if (given.length === 0) return { url, given };
  address.searchParams.delete('options');
  return { url: address.href, given };
}

/**
 * The table changed under a statement that the server keeps: another process migrated it. The connection's
 * kept statements are gone with the connection, and on a new one the same query is planned anew.
 */
export function isStalePlan(error: unknown): boolean {
  return error instanceof pg.DatabaseError && error.routine === 'RevalidateCachedQuery';
}

/** By name too: a process id may belong to somebody else by now. */
const END_SESSION = `
  select pg_terminate_backend(pid) from pg_stat_activity
  where pid = $1 and application_name = $2 and usename = current_user`;

class GuardedClient {
  #isBroken = false;
  #isUnanswered = false;

  constructor(
    private readonly client: pg.PoolClient,
    private readonly endSession: (pid: number) => void,
  ) {}

  async query(text: string, parameters: readonly unknown[] = []): Promise<pg.QueryResult> {
    // What comes behind an answer that never came must not wait for it too.
    if (this.#isBroken) throw new Error(CONNECTION_FAILED_BEFORE);
    try {
      const name = statementName(text);
      const values = parameters.map(storable);
      this.#sendTogether();
      return await this.client.query(
        name === undefined ? { text, values } : { name, text, values },
      );
    } catch (error) {
      if (!(error instanceof pg.DatabaseError) || isStalePlan(error)) this.#isBroken = true;
      if (error instanceof Error && error.message === UNANSWERED) this.#isUnanswered = true;
      throw error;
    }
  }

  /** What is asked in one turn leaves in one write: each of its own would wake the server's process by itself. */
  #sendTogether(): void {
    const { stream } = (
      this.client as unknown as { readonly connection: { readonly stream: Writable } }
    ).connection;
    if (stream.writableCorked > 0) return;
    stream.cork();
    process.nextTick(() => stream.uncork());
  }

  release(destroy?: boolean): void {
    this.client.release(destroy === true || this.#isBroken);
    const { processID: pid } = this.client as { readonly processID?: number | null };
    if (this.#isUnanswered && typeof pid === 'number') this.endSession(pid);
  }
}

/**
 * A connection for one transaction, or for one query outside of any. Of what is asked side by side one may fail while
 * another still goes on: whatever that asks for behind the end of the transaction would be done by itself, or in the
 * next one of this connection. It is refused.
 */
class Lease {
  #hasEnded = false;

  constructor(private readonly client: GuardedClient) {}

  async query(text: string, parameters: readonly unknown[] = []): Promise<pg.QueryResult> {
    if (this.#hasEnded) throw new Error(TRANSACTION_ENDED);
    if (ENDS_A_TRANSACTION.has(text)) this.#hasEnded = true;
    return await this.client.query(text, parameters);
  }

  release(destroy?: boolean): void {
    this.#hasEnded = true;
    this.client.release(destroy);
  }
}

/**
 * PostgreSQL keeps no NUL in a text, and a foreign document may hold one (as `\u0000`). It is stored as the
 * sign for it, U+2400, whether it is written or looked for; the bytes the document came in are kept as they are.
 */
function storable(value: unknown): unknown {
  return typeof value === 'string' && value.includes('\0')
    ? value.replaceAll('\0', '\u2400')
    : value;
}
