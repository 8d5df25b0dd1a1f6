import { type Kysely, sql } from 'kysely';

/**
 * What performance checks were judged to be worth. Those from before were judged by nobody: a reported failure counts,
 * a reported pass brackets nothing.
 */
export async function up(db: Kysely<unknown>): Promise<void> {
  const add = () => db.schema.alterTable('performance_check');
  await add()
    .addColumn('verdict', 'text', (c) => c.notNull().defaultTo('void'))
    .execute();
  await add().addColumn('judgement', 'text').execute();
  await sql`update performance_check set verdict = 'fail' where outcome = 'fail'`.execute(db);
  await db.schema
    .createIndex('performance_check_by_verdict')
    .on('performance_check')
    .columns(['site', 'instrument_serial', 'run_epoch', 'verdict', 'run_number'])
    .execute();
}
