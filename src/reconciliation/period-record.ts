import { formatInstant } from '../formats/instant.js';
import {
  PERIOD_LISTED_MAX,
  type PeriodDiscrepancy,
  type PeriodRecord,
} from '../records/period-record.js';
import type { Signature } from '../signatures/signature.js';
import type { PeriodAddendumRow, PeriodRow } from '../storage/tables.js';
import type { SignedAddendum, SignedPeriod } from './period-document.js';

/** Revision of a period that its addendum is: the close is the first. */
export function addendumRevision(number: number): number {
  return number + 1;
}

/**
 * The canonical record of a close, or of one signed addendum, from rows that never change: a delivery that is built
 * again says the same.
 *
 * @param signature the one that closed it
 */
export function periodRecord(of: {
  readonly period: PeriodRow;
  readonly addendum: PeriodAddendumRow | null;
  readonly signature: Signature;
}): PeriodRecord {
  const { period, addendum, signature } = of;
  const closed = signedPeriod(period);
  const added = addendum === null ? null : signedAddendum(addendum);
  const carriedOver = added === null ? closed.carriedOver : [];
  const changes = added?.changes ?? [];
  return {
    schema: 'drumline-period-close',
    version: '1.0',
    site: period.site,
    environment: closed.environment,
    simulated: closed.simulated,
    timeZone: closed.timeZone,
    periodId: period.id,
    revision: addendum === null ? 1 : addendumRevision(addendum.number),
    kind: addendum === null ? 'close' : 'addendum',
    addendum: addendum?.number ?? null,
    from: closed.from,
    to: closed.to,
    closedAt: formatInstant(signature.at),
    closedBy: signature.printedName,
    signatureId: signature.id,
    reason: signature.reason,
    sha256: signature.shownSha256,
    closeSha256: period.digest,
    counts: closed.counts,
    stops: closed.stops,
    carriedOver: carriedOver.slice(0, PERIOD_LISTED_MAX).map(discrepancy),
    carriedOverCount: added === null ? carriedOver.length + closed.notListed : 0,
    resolvedCount: added === null ? closed.resolved.length : 0,
    changes: changes.slice(0, PERIOD_LISTED_MAX).map(({ at, detail }) => ({ at, detail })),
    changesCount: changes.length,
  };
}

/** What the signature of a close covers, as it was shown. */
export function signedPeriod(row: Pick<PeriodRow, 'document'>): SignedPeriod {
  return (JSON.parse(row.document) as { readonly record: SignedPeriod }).record;
}

/** @throws when it is open: nobody has signed anything then */
export function signedAddendum(
  row: Pick<PeriodAddendumRow, 'document' | 'number'>,
): SignedAddendum {
  if (row.document === null) throw new Error(`addendum ${row.number} is not signed`);
  return (JSON.parse(row.document) as { readonly record: SignedAddendum }).record;
}

function discrepancy(of: PeriodDiscrepancy): PeriodDiscrepancy {
  const { id, class: kind, subject, detail, owner, openedAt } = of;
  return { id, class: kind, subject, detail, owner, openedAt };
}
