import { workerData } from 'node:worker_threads';
import Database from 'better-sqlite3';
import { pagesToCopy } from './pages-to-copy.js';

/** Path of the database. */
const file = new Database(workerData as string);

/**
 * Copies what the log holds into the database as far as no reader needs it as it was, and gets both onto the disk. Answers how
 * many pages are left.
 */
export function copy(): number {
  file.pragma('wal_checkpoint(PASSIVE)');
  return pagesToCopy(file);
}
