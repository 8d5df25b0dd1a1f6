import type { DoubtedMessage } from '../../../src/simulation/judge.js';
import type { Fault } from './schedule.js';

/** Runs a query and returns its rows. */
export type Query = (text: string) => Promise<readonly unknown[]>;

/**
 * Results and withdrawals of which nobody can say whether a destination that cannot be asked has them: parked behind a send
 * of which bytes may have left, because it broke off, was answered ambiguously, or its process ended (`uncertain` and
 * `lost`, see `src/delivery/attempt-outcome.ts`). What is parked for another reason was never sent, or was refused, and
 * excuses nothing; neither does what a person has given up since.
 */
export async function doubtedMessages(
  query: Query,
  destination: string,
): Promise<readonly DoubtedMessage[]> {
  const rows = await query(
    `select coalesce(result.result_id, withdrawal.result_id) as id, delivery.message as type,
            delivery.subject_revision as revision
     from delivery
       left join result on delivery.message = 'result' and result.id = delivery.subject_id
       left join withdrawal on delivery.message = 'withdrawal' and withdrawal.id = delivery.subject_id
     where delivery.message in ('result', 'withdrawal') and delivery.destination = '${destination}'
       and delivery.state = 'parked' and exists (
         select 1 from attempt where attempt.delivery_id = delivery.id and attempt.kind = 'send'
           and attempt.outcome in ('uncertain', 'lost'))`,
  );
  return (rows as { id: string; type: DoubtedMessage['messageType']; revision: unknown }[]).map(
    ({ id, type, revision }) => ({
      resultId: id,
      messageType: type,
      revision: Number(revision),
    }),
  );
}

/** A fault that was injected and met something. */
export interface Bite {
  readonly fault: Pick<Fault, 'kind' | 'sink' | 'target' | 'forMs'>;
  /** Requests it met, of a misbehaving destination; 1 of anything else. */
  readonly times: number;
}

interface Bites {
  /** Workers that were killed, at whichever step. */
  readonly workerKills: number;
  readonly bites: readonly Bite[];
  readonly destination: string;
  /** Sends to the destination that may be under way at once. */
  readonly inFlightMax: number;
}

/**
 * How many messages a destination may be without at most because their sends came to nothing in doubt. What ends a worker, or
 * keeps it from writing how its sends ended, may do that to all that are under way, and again in every second it lasts; a
 * destination does it to each request that it answers and forgets. One that stores whatever it answers takes nothing away,
 * and neither does a gateway that only takes bundles in.
 */
export function missingMax({ workerKills, bites, destination, inFlightMax }: Bites): number {
  let max = workerKills * inFlightMax;
  for (const { fault, times } of bites) {
    const isElsewhere = fault.sink !== undefined && fault.sink !== destination;
    const isNoWorker = fault.target !== undefined && fault.target.role !== 'work';
    if (isElsewhere || isNoWorker) continue;
    if (FORGETS.has(fault.kind)) max += times;
    else if (LEAVES_IN_DOUBT.has(fault.kind)) {
      max += inFlightMax * (1 + Math.ceil(fault.forMs / 1000));
    }
  }
  return max;
}

/** What a destination does to a request so that it is not stored, and nobody can tell. */
const FORGETS: ReadonlySet<Fault['kind']> = new Set(['sink-error-document', 'sink-hang']);

const LEAVES_IN_DOUBT: ReadonlySet<Fault['kind']> = new Set([
  'pause',
  'clock-worker',
  'clock-database',
  'postgres-restart',
  'postgres-kill-backends',
  'postgres-half-open',
  'postgres-exhausted',
  'disk-full',
  'sink-restart',
]);
