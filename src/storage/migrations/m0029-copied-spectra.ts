import type { Kysely } from 'kysely';

/**
 * A copied spectrum is known by its intensities alone, and its noise is compared whatever the axis is: a copy whose axis
 * was moved a little was taken for a measurement. What was stored before has neither, since its values lie in the bundles
 * and no statement can read them there: it is found by its axis and intensities, and by noise of the same axis.
 */
export async function up(db: Kysely<unknown>): Promise<void> {
  await db.schema.alterTable('result').addColumn('intensity_sha256', 'text').execute();
  await db.schema.alterTable('measured_trace').addColumn('noise_method', 'text').execute();
  for (const [name, table, columns] of [
    ['result_by_intensity', 'result', ['site', 'intensity_sha256']],
    ['trace_by_noise_method', 'measured_trace', ['site', 'noise_method', 'result_row_id']],
  ] as const) {
    await db.schema
      .createIndex(name)
      .on(table)
      .columns([...columns])
      .execute();
  }
}
