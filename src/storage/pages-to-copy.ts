import type Database from 'better-sqlite3';

/**
 * Pages of a file's log that are not in the database. Copies none.
 *
 * @throws SqliteError where a transaction runs on this connection
 */
export function pagesToCopy(file: Database.Database): number {
  const [{ log, checkpointed }] = file.pragma('wal_checkpoint(NOOP)') as [
    { readonly log: number; readonly checkpointed: number },
  ];
  return log - checkpointed;
}
