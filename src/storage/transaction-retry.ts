import pg from 'pg';
import { CONNECTION_FAILED_BEFORE, isStalePlan } from './postgres-pool.js';

/** Attempts at one transaction before its error is the caller's. */
const ATTEMPTS_MAX = 6;
const WAIT_MS = 20;

/** Two transactions stood in each other's way; the server undid one of them. */
const IN_THE_WAY = new Set(['40001', '40P01']);
/** The server ended the connection: shut down, crashed, or found the transaction left alone. */
const ENDED_BY_SERVER = new Set(['57P01', '57P02', '25P03', '08006', '08003']);
/** The database takes no work now: starting, closed, full of connections or of data, read-only, or too slow. */
const REFUSED = new Set(['57P03', '55000', '53300', '53100', '53200', '25006', '57014', '55P03']);
const SOCKET_CODES = new Set([
  'ECONNREFUSED',
  'ECONNRESET',
  'EPIPE',
  'ETIMEDOUT',
  'EHOSTUNREACH',
  'ENOTFOUND',
  'EAI_AGAIN',
]);
const SQLITE_FULL_OR_BUSY = /^SQLITE_(?:FULL|BUSY|IOERR)/;

/** How far a transaction had come when it failed. */
export type Stage = 'beginning' | 'working' | 'committing';

/**
 * Runs a transaction again from its start when another one stood in its way, or when its connection died
 * before the commit was asked for. A connection that dies during the commit leaves open whether it took place:
 * that is the caller's to find out, since doing it twice may be wrong.
 */
export async function retrying<T>(
  attempt: (reached: (stage: Stage) => void) => Promise<T>,
  wait: (ms: number) => Promise<void>,
  random: () => number,
): Promise<T> {
  for (let n = 1; ; n += 1) {
    let stage: Stage = 'beginning';
    try {
      return await attempt((reached) => {
        stage = reached;
      });
    } catch (error) {
      if (n >= ATTEMPTS_MAX || !mayRunAgain(error, stage)) throw error;
      await wait(WAIT_MS * n * (0.5 + random()));
    }
  }
}

function mayRunAgain(error: unknown, stage: Stage): boolean {
  const code = codeOf(error);
  if (IN_THE_WAY.has(code) || isStalePlan(error)) return true;
  if (stage === 'committing') return false;
  return isLostConnection(error);
}

function isLostConnection(error: unknown): boolean {
  if (error instanceof pg.DatabaseError) return ENDED_BY_SERVER.has(codeOf(error));
  const code = codeOf(error);
  if (code === 'ECONNRESET' || code === 'EPIPE') return true;
  return error instanceof Error && LOST.has(error.message);
}

/** The driver names these conditions in words only. */
const LOST = new Set([
  'Connection terminated',
  'Connection terminated unexpectedly',
  'Client has encountered a connection error and is not queryable',
  CONNECTION_FAILED_BEFORE,
]);
const SILENT = new Set([
  'Query read timeout',
  'timeout exceeded when trying to connect',
  'Connection terminated due to connection timeout',
]);

/** True when the database cannot take work at the moment, through no fault of what was asked. */
export function isUnavailable(error: unknown): boolean {
  if (error instanceof AggregateError) return error.errors.some(isUnavailable);
  const code = codeOf(error);
  if (error instanceof pg.DatabaseError) return ENDED_BY_SERVER.has(code) || REFUSED.has(code);
  if (SOCKET_CODES.has(code) || SQLITE_FULL_OR_BUSY.test(code)) return true;
  return error instanceof Error && (LOST.has(error.message) || SILENT.has(error.message));
}

function codeOf(error: unknown): string {
  const code = typeof error === 'object' && error !== null && 'code' in error ? error.code : '';
  return typeof code === 'string' ? code : '';
}
