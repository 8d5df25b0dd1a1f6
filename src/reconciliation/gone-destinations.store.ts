import type { Instant } from '../formats/instant.js';
import { receiptOfDelivery } from '../receipts/delivery-findings.store.js';
import { deliveryPrefix, holdingPrefix } from '../receipts/evidence-subject.js';
import type { Reader, Trx } from '../storage/database.js';
import type { DestinationHoldingRow, DiscrepancyRow } from '../storage/tables.js';
import { parseScope } from './discrepancies.js';
import { closeByEvidence, openDiscrepancy } from './discrepancies.store.js';

/** The folder that was put in force, as findings about destinations depend on it. */
export interface FolderInForce {
  readonly site: string;
  readonly digest: string;
  /** The site's, for the trail. */
  readonly zone: string;
  readonly destinations: readonly string[];
}

/**
 * What sweeps and looks found at a destination that the site folder does not name any more is closed with that reason: nobody
 * asks there again, so that nothing else could ever close it. Once a folder names the destination again it is open again, at
 * the receipt that it is of by then.
 *
 * A message there that is a stop of a lost life, or may be one, stays open: stops latch, and only a signed act or a list
 * ends one (release-safety rules 20 and 28).
 *
 * The caller has locked every announced receipt, has them all evaluated anew, and has locked the site's evidence.
 */
export async function settleFindingsByFolder(
  trx: Trx,
  folder: FolderInForce,
  now: Instant,
): Promise<void> {
  await closeOfGone(trx, folder, now);
  await reopenOfReturned(trx, folder, now);
}

const CLASSES = [
  'absent',
  'differs',
  'stop-not-effective',
  'duplicate-at-destination',
  'unknown-at-source',
  'destination-changed',
] as const;

/** What is open about destinations that the folder does not name, and ends with that. */
export async function findingsOfGone(
  reader: Reader,
  { site, destinations }: Pick<FolderInForce, 'site' | 'destinations'>,
): Promise<readonly DiscrepancyRow[]> {
  const ending: DiscrepancyRow[] = [];
  for (const found of await findings(reader, site).where('closed_at', 'is', null).execute()) {
    const { destination } = found;
    if (destination === null || destinations.includes(destination)) continue;
    if (!(await mayBeStop(reader, found))) ending.push(found);
  }
  return ending;
}

async function closeOfGone(trx: Trx, folder: FolderInForce, now: Instant): Promise<void> {
  const { site, digest, zone } = folder;
  for (const { class: kind, subject, destination } of await findingsOfGone(trx, folder)) {
    const evidence = `${GONE}${destination} any more: ${digest}`;
    await closeByEvidence(trx, { site, class: kind, subject, evidence, closedAt: now, zone });
  }
}

async function reopenOfReturned(trx: Trx, folder: FolderInForce, now: Instant): Promise<void> {
  const { site, zone, destinations } = folder;
  if (destinations.length === 0) return;
  const closed = await findings(trx, site)
    .where('destination', 'in', destinations)
    .where('closing_evidence', 'like', `${GONE}%`)
    .orderBy('opened_at')
    .execute();
  for (const found of closed) {
    if (await isFoundSince(trx, found)) continue;
    const receiptId = (await receiptNow(trx, found)) ?? found.receipt_id;
    const discrepancy = {
      site,
      class: found.class,
      subject: found.subject,
      receiptId,
      containerLabel: found.container_label,
      destination: found.destination,
      scope: receiptId === null ? parseScope(found.scope) : null,
      detail: found.detail,
      openedAt: now,
      ...(found.counts_from === null ? {} : { countsFrom: found.counts_from }),
    };
    await openDiscrepancy(trx, discrepancy, zone);
  }
}

function findings(reader: Reader, site: string) {
  return reader
    .selectFrom('discrepancy')
    .selectAll()
    .where('site', '=', site)
    .where('class', 'in', CLASSES)
    .where('derived', '=', 0);
}

const GONE = 'the site folder names no destination ';

/** Opened once more after it was closed: whatever became of that counts. */
async function isFoundSince(
  reader: Reader,
  { id, site, class: kind, subject, closed_at: closedAt }: DiscrepancyRow,
): Promise<boolean> {
  const row = await reader
    .selectFrom('discrepancy')
    .select('id')
    .where('site', '=', site)
    .where('class', '=', kind)
    .where('subject', '=', subject)
    .where('id', '<>', id)
    .where((e) =>
      e.or([e('closed_at', 'is', null), e('opened_at', '>=', closedAt ?? (0 as Instant))]),
    )
    .limit(1)
    .executeTakeFirst();
  return row !== undefined;
}

/** The receipt that a finding about a delivery is of by now: its result may have come to another one meanwhile. */
async function receiptNow(reader: Reader, found: DiscrepancyRow): Promise<string | null> {
  const prefix = deliveryPrefix(found.destination ?? '');
  if (!found.subject.startsWith(prefix)) return null;
  return await receiptOfDelivery(reader, found.site, found.subject.slice(prefix.length));
}

/** Whether it is about a message that nobody here sent and that is a stop, or does not show what it is. */
async function mayBeStop(reader: Reader, found: DiscrepancyRow): Promise<boolean> {
  const { site, destination, subject } = found;
  const prefix = holdingPrefix(destination ?? '');
  if (!subject.startsWith(prefix)) return false;
  const holding: Pick<DestinationHoldingRow, 'message'> | undefined = await reader
    .selectFrom('destination_holding')
    .select('message')
    .where('site', '=', site)
    .where('destination', '=', destination ?? '')
    .where('identity', '=', subject.slice(prefix.length))
    .executeTakeFirst();
  return holding === undefined || holding.message === null || holding.message === 'stop';
}
