import type { DatabaseConnection } from 'kysely';
import type { Reader, Trx } from './handles.js';

const connections = new WeakMap<Reader, DatabaseConnection>();

/**
 * Notes the connection of a transaction. Kysely sends what a transaction asks for one behind the answer to the other,
 * also where it was asked for side by side; `prepared` asks the connection itself.
 */
export async function noteConnection(trx: Trx): Promise<void> {
  await trx.getExecutor().provideConnection(async (connection) => {
    connections.set(trx, connection);
  });
}

/** undefined outside a transaction, and where nobody noted it. */
export function connectionOf(reader: Reader): DatabaseConnection | undefined {
  return connections.get(reader);
}
