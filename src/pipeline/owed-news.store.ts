import type { Reader } from '../storage/database.js';

/** Bad news that a destination has not got, counted. */
export interface OwedNews {
  readonly destination: string;
  readonly message: 'stop' | 'withdrawal';
  readonly count: number;
}

/**
 * Stops and withdrawals that a destination outside the list has not got, or that it has to be asked about.
 * A process works for the destinations of its site folder only, so nobody would ever deliver these.
 */
export async function newsOwedToOthers(
  reader: Reader,
  site: string,
  destinations: readonly string[],
): Promise<readonly OwedNews[]> {
  const rows = await reader
    .selectFrom('delivery')
    .select((eb) => ['destination', 'message', eb.fn.countAll().as('count')])
    .where('site', '=', site)
    .where('message', 'in', ['stop', 'withdrawal'])
    .where((eb) =>
      eb.or([
        eb('state', 'not in', ['accepted', 'confirmed', 'cancelled', 'superseded']),
        eb.and([eb('state', '=', 'accepted'), eb('next_ask_at', 'is not', null)]),
      ]),
    )
    .$if(destinations.length > 0, (query) =>
      query.where('destination', 'not in', [...destinations]),
    )
    .groupBy(['destination', 'message'])
    .orderBy('destination')
    .orderBy('message')
    .execute();
  return rows.map(({ destination, message, count }) => ({
    destination,
    message: message === 'stop' ? 'stop' : 'withdrawal',
    count: Number(count),
  }));
}
