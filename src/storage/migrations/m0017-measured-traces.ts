import type { Kysely } from 'kysely';
import { dialectOf } from '../dialect.js';

/** What of a measurement later ones are compared with: its noise, the cover of its probe, its values, its operator. */
export async function up(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .createTable('measured_trace')
    .addColumn('result_row_id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('noise_key', 'text')
    .addColumn('noise', 'text')
    .addColumn('probe_cover', 'text')
    .execute();
  for (const [name, table, columns] of [
    ['trace_by_noise', 'measured_trace', ['site', 'noise_key', 'result_row_id']],
    ['trace_by_cover', 'measured_trace', ['site', 'probe_cover']],
    ['result_by_spectrum', 'result', ['site', 'spectrum_sha256']],
    ['result_by_operator', 'result', ['site', 'operator_id', 'measured_at']],
    ['result_by_container', 'result', ['site', 'receipt_id', 'container_label']],
  ] as const) {
    await db.schema
      .createIndex(name)
      .on(table)
      .columns([...columns])
      .execute();
  }
  const message = 'measured_trace rows are kept as written';
  for (const action of ['update', 'delete'] as const) {
    await dialectOf(db).guardRows(db, { table: 'measured_trace', action, message });
  }
}
