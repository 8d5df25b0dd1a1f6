import { type RawBuilder, type SqlBool, sql } from 'kysely';

/**
 * Who this process is in what it claims. Asked for at every claim and never kept longer: a process that was
 * declared dead while it slept goes on under a new id.
 */
export interface WorkerIdentity {
  readonly id: string;
  /** False while the others may have declared this id dead: nothing more may be started under it. */
  readonly mayStart: boolean;
}

/** The worker named by a column is stopped, was declared dead or is not known: what it held may be taken over. */
export function workerIsGone(column: string): RawBuilder<SqlBool> {
  return sql<SqlBool>`not exists (
    select 1 from worker where worker.id = ${sql.ref(column)} and worker.stopped_at is null)`;
}
