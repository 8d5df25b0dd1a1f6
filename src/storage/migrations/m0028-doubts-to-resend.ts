import { type Kysely, sql } from 'kysely';

/** Doubts that wait to be sent again: few, among everything that is due at a destination that is away. */
export async function up(db: Kysely<unknown>): Promise<void> {
  await sql`create index delivery_to_resend on delivery (site, destination)
    where state = 'uncertain' and next_ask_at is null`.execute(db);
}
