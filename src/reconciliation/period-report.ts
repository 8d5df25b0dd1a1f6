import { formatInstant, type Instant } from '../formats/instant.js';
import type { SignatureManifest } from '../signatures/signature.js';
import type { DeliveryState } from '../storage/tables.js';
import type { SignedPeriod } from './period-document.js';
import { REPORT_CAUTIONS, SIMULATED_LABEL } from './reconciliation-report.js';

/** A closed period with everything that was signed about it, what changed since, and who was told. */
export interface PeriodReport {
  readonly id: string;
  readonly siteTitle: string;
  readonly period: SignedPeriod;
  readonly signature: SignatureManifest;
  readonly addenda: readonly ReportedAddendum[];
  readonly deliveries: readonly ReportedDelivery[];
}

export interface ReportedAddendum {
  readonly number: number;
  readonly openedAt: Instant;
  readonly changes: readonly {
    readonly at: Instant;
    readonly subject: string;
    readonly detail: string;
  }[];
  /** null while it is open: nobody has signed it, and it may still grow. */
  readonly signature: SignatureManifest | null;
}

export interface ReportedDelivery {
  readonly id: string;
  readonly destination: string;
  /** 1: the close; n + 1: addendum n. */
  readonly revision: number;
  readonly state: DeliveryState;
  readonly createdAt: Instant;
  readonly confirmedAt: Instant | null;
  readonly reference: string | null;
  readonly reason: string | null;
}

/** What a message of this revision is about, in words. */
export function revisionWords(revision: number): string {
  return revision === 1 ? 'the close' : `addendum ${revision - 1}`;
}

/** What a closed period is, in words: its addenda follow it for good. */
export function periodStateWords(
  addenda: readonly Pick<ReportedAddendum, 'number' | 'signature'>[],
) {
  const open = addenda.find((a) => a.signature === null);
  if (open)
    return `closed; addendum ${open.number} is open: something changed that nobody has signed`;
  const last = addenda.at(-1);
  return last
    ? `closed, with ${last.number} signed ${last.number === 1 ? 'addendum' : 'addenda'}`
    : 'closed';
}

export function periodJson(report: PeriodReport): string {
  const { id, siteTitle, period, signature, addenda, deliveries } = report;
  return JSON.stringify({
    id,
    siteTitle,
    from: period.from,
    to: period.to,
    digest: signature.shownSha256,
    closedAt: signature.at,
    signature,
    document: period,
    addenda: addenda.map((a) => ({
      number: a.number,
      openedAt: formatInstant(a.openedAt),
      closedAt: a.signature?.at ?? null,
      signature: a.signature,
      digest: a.signature?.shownSha256 ?? null,
      changes: a.changes.map((c) => ({ ...c, at: formatInstant(c.at) })),
    })),
    deliveries: deliveries.map((d) => ({
      ...d,
      createdAt: formatInstant(d.createdAt),
      confirmedAt: d.confirmedAt === null ? null : formatInstant(d.confirmedAt),
    })),
    cautions: REPORT_CAUTIONS,
  });
}

/**
 * What a closed period is about, in the same words in every form.
 *
 * @param at writes an instant of the record, RFC 3339 in UTC
 */
export function periodFacts(
  { id, siteTitle, period, signature, addenda }: PeriodReport,
  at: (text: string) => string,
): (readonly [string, string])[] {
  return [
    ...(period.simulated ? ([['data', SIMULATED_LABEL]] as const) : []),
    ['site', `${siteTitle} (${period.site})`],
    ['environment', period.environment],
    ['time zone', period.timeZone],
    ['measured from', at(period.from)],
    ['measured before', at(period.to)],
    ['period', id],
    ['state', periodStateWords(addenda)],
    ['closed at', at(signature.at)],
    ['stops issued', String(period.stops)],
    ...(period.notListed > 0
      ? ([['discrepancies not listed, carried over', String(period.notListed)]] as const)
      : []),
  ];
}
