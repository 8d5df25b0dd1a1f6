import { sql } from 'kysely';
import { uuidv7 } from 'uuidv7';
import { recordAudit } from '../audit/audit.store.js';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { prepared } from '../storage/prepared.js';
import type { DiscrepancyClass, DiscrepancyRow } from '../storage/tables.js';
import type { NewDiscrepancy } from './discrepancies.js';

/**
 * Opens a discrepancy; opening one that is open does nothing. One that the comparison opened becomes the event's:
 * only evidence closes it from then on. The caller has locked the receipt it belongs to, or the site's evidence
 * when it has no owner.
 *
 * @param zone the site's, for the trail
 */
export async function openDiscrepancy(
  trx: Trx,
  discrepancy: NewDiscrepancy,
  zone: string,
): Promise<void> {
  const open = await trx
    .selectFrom('discrepancy')
    .select(['id', 'derived'])
    .where('site', '=', discrepancy.site)
    .where('class', '=', discrepancy.class)
    .where('subject', '=', discrepancy.subject)
    .where('closed_at', 'is', null)
    .executeTakeFirst();
  if (open?.derived === 1) await takeOver(trx, open.id, discrepancy);
  if (open) return;
  const id = uuidv7();
  const inserted = await trx
    .insertInto('discrepancy')
    .values({
      id,
      site: discrepancy.site,
      class: discrepancy.class,
      subject: discrepancy.subject,
      receipt_id: discrepancy.receiptId,
      container_label: discrepancy.containerLabel,
      destination: discrepancy.destination,
      scope: discrepancy.scope === null ? null : JSON.stringify(discrepancy.scope),
      detail: discrepancy.detail,
      opened_at: discrepancy.openedAt,
      closed_at: null,
      closing_evidence: null,
      derived: 0,
      counts_from: discrepancy.countsFrom ?? discrepancy.openedAt,
      instrument: discrepancy.instrument ?? onlyInstrument(discrepancy),
      fault: null,
      owner: null,
    })
    .onConflict((c) => c.doNothing())
    .executeTakeFirst();
  if (inserted.numInsertedOrUpdatedRows === 0n) return;
  const { site, openedAt: at, ...said } = discrepancy;
  await recordAudit(trx, {
    ...ACTED,
    site,
    zone,
    at,
    action: 'discrepancy.opened',
    subjectId: id,
    reason: discrepancy.detail,
    after: said,
  });
}

const ACTED = {
  actor: { kind: 'system', name: 'reconciliation' },
  subjectKind: 'discrepancy',
} as const;

/** One entry of the trail for each discrepancy that evidence has closed. */
export async function auditClosed(
  trx: Trx,
  ids: readonly string[],
  by: {
    readonly site: string;
    readonly zone: string;
    readonly at: Instant;
    readonly evidence: string;
  },
): Promise<void> {
  const { evidence, ...where } = by;
  for (const subjectId of ids) {
    await recordAudit(trx, {
      ...ACTED,
      ...where,
      action: 'discrepancy.closed',
      subjectId,
      reason: evidence,
      before: { closedAt: null },
      after: { closedAt: by.at, evidence },
    });
  }
}

/** Evidence of one instrument names it in its scope. */
function onlyInstrument({ scope }: NewDiscrepancy): string | null {
  const [serial, ...others] = scope?.instruments ?? [];
  return serial !== undefined && others.length === 0 ? serial : null;
}

async function takeOver(trx: Trx, id: string, by: NewDiscrepancy): Promise<void> {
  await trx
    .updateTable('discrepancy')
    .set({
      derived: 0,
      receipt_id: by.receiptId,
      scope: by.scope === null ? null : JSON.stringify(by.scope),
      detail: by.detail,
    })
    .where('id', '=', id)
    .execute();
}

/** Gives what is open about something to the receipt that it turned out to be of. */
export async function moveDiscrepancy(
  trx: Trx,
  of: Pick<DiscrepancyRow, 'site' | 'class' | 'subject'>,
  receiptId: string,
): Promise<void> {
  await trx
    .updateTable('discrepancy')
    .set({ receipt_id: receiptId, scope: null })
    .where('site', '=', of.site)
    .where('class', '=', of.class)
    .where('subject', '=', of.subject)
    .where('closed_at', 'is', null)
    .execute();
}

/**
 * Closes an open discrepancy with the evidence that answers it, and says whether one was open. `evidence`
 * names the fact (a bundle, a result, a delivery), see `DISCREPANCY_RULES` for what each class takes.
 */
export async function closeByEvidence(
  trx: Trx,
  what: {
    readonly site: string;
    readonly class: DiscrepancyClass;
    readonly subject: string;
    readonly evidence: string;
    readonly closedAt: Instant;
    /** The site's, for the trail. */
    readonly zone: string;
  },
): Promise<boolean> {
  const closed = await trx
    .updateTable('discrepancy')
    .set({ closed_at: what.closedAt, closing_evidence: what.evidence })
    .where('site', '=', what.site)
    .where('class', '=', what.class)
    .where('subject', '=', what.subject)
    .where('closed_at', 'is', null)
    .returning('id')
    .execute();
  const ids = closed.map(({ id }) => id);
  const { site, zone, evidence, closedAt: at } = what;
  await auditClosed(trx, ids, { site, zone, at, evidence });
  return ids.length > 0;
}

/**
 * Open discrepancies that events opened, of one receipt and all that have no owner: what a statement counts. What
 * the comparison opens is worked out from rows that the statement's conditions read themselves.
 */
export async function openDiscrepanciesFor(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<readonly DiscrepancyRow[]> {
  return (await openOf(reader, { site, receiptId })).rows;
}

const openOf = prepared((db, of: { readonly site: string; readonly receiptId: string }) =>
  db
    .selectFrom('discrepancy')
    .selectAll()
    .where('site', '=', of.site)
    // Written out, as in the index of these rows.
    .where(sql<boolean>`closed_at is null and derived = 0`)
    .where((e) => e.or([e('receipt_id', '=', of.receiptId), e('receipt_id', 'is', null)]))
    .orderBy('opened_at')
    .orderBy('id'),
);

/** True while a discrepancy of this class and subject is open that an event opened. */
export async function isOpenDiscrepancy(
  reader: Reader,
  site: string,
  kind: DiscrepancyClass,
  subject: string,
): Promise<boolean> {
  return (await openEventDiscrepancy(reader, site, kind, subject)) !== undefined;
}

/** The discrepancy of this class and subject that an event opened and that is open. */
export async function openEventDiscrepancy(
  reader: Reader,
  site: string,
  kind: DiscrepancyClass,
  subject: string,
): Promise<DiscrepancyRow | undefined> {
  return await reader
    .selectFrom('discrepancy')
    .selectAll()
    .where('site', '=', site)
    .where('class', '=', kind)
    .where('subject', '=', subject)
    .where('closed_at', 'is', null)
    .where('derived', '=', 0)
    .executeTakeFirst();
}

/** The discrepancy of this class and subject that was opened last, open or closed; null when there was none. */
export async function latestDiscrepancy(
  reader: Reader,
  site: string,
  kind: DiscrepancyClass,
  subject: string,
): Promise<DiscrepancyRow | null> {
  const row = await reader
    .selectFrom('discrepancy')
    .selectAll()
    .where('site', '=', site)
    .where('class', '=', kind)
    .where('subject', '=', subject)
    .orderBy('opened_at', 'desc')
    .orderBy('id', 'desc')
    .limit(1)
    .executeTakeFirst();
  return row ?? null;
}
