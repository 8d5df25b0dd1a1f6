import { sql } from 'kysely';
import type { Reader } from '../storage/database.js';
import { prepared } from '../storage/prepared.js';
import type { ToldLast } from './statement-messages.js';

/** Of these a destination may have heard, also where no attempt is counted. */
const LEFT = ['sending', 'uncertain', 'accepted', 'confirmed', 'rejected', 'parked'];

/**
 * What each destination was told last of a receipt by statements and stops: one that the site folder did not name while
 * a revision was stored has no message of it.
 */
export async function toldLast(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<readonly ToldLast[]> {
  const { rows } = await messagesOf(reader, { site, receiptId });
  const last = new Map<string, ToldLast>();
  for (const row of rows) {
    const known = last.get(row.destination);
    const hasLeft = Number(row.attempts) > 0 || LEFT.includes(row.state);
    last.set(row.destination, {
      destination: row.destination,
      revision: Math.max(known?.revision ?? 0, row.revision),
      // By revision: the last that left says what stands there.
      holdsConforms: hasLeft ? row.barrier === 1 : (known?.holdsConforms ?? false),
    });
  }
  return [...last.values()];
}

interface OfReceipt {
  readonly site: string;
  readonly receiptId: string;
}

/** Statements by the receipt that they are about, stops by those that it has: neither reads its results' deliveries. */
const messagesOf = prepared((db, of: OfReceipt) =>
  db
    .selectFrom('delivery')
    .select(['destination', 'subject_revision as revision', 'state', 'attempts', 'barrier'])
    .where('site', '=', of.site)
    .where('subject_kind', '=', sql.lit('statement'))
    .where('subject_id', '=', of.receiptId)
    .unionAll(
      db
        .selectFrom('stop')
        .innerJoin('delivery', (join) =>
          join
            .onRef('delivery.site', '=', 'stop.site')
            .on('delivery.subject_kind', '=', sql.lit('stop'))
            .onRef('delivery.subject_id', '=', 'stop.id'),
        )
        .select([
          'delivery.destination',
          'delivery.subject_revision as revision',
          'delivery.state',
          'delivery.attempts',
          'delivery.barrier',
        ])
        .where('stop.site', '=', of.site)
        .where('stop.receipt_id', '=', of.receiptId),
    )
    .orderBy('revision'),
);
