import { type Kysely, sql } from 'kysely';

/**
 * Noise is kept with its shifts: a copy of which points were left out, or that was interpolated onto another axis, has other
 * second differences. What was stored before has no shifts, and its values lie in the bundles: it is compared point by
 * point, as before. The index is for the latest of all, whatever their method and axis are.
 */
export async function up(db: Kysely<unknown>): Promise<void> {
  await db.schema.alterTable('measured_trace').addColumn('noise_curve', 'text').execute();
  await db.schema
    .createIndex('trace_by_curve')
    .on('measured_trace')
    .columns(['site', 'result_row_id'])
    .where(sql.ref('noise_curve'), 'is not', null)
    .execute();
}
