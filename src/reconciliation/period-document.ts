import type { JsonValue } from '../formats/canonical-json.js';
import { formatInstant } from '../formats/instant.js';
import type { PeriodDiscrepancy } from '../records/period-record.js';
import type { Environment } from '../site/vocabulary.js';
import type { PeriodChangeRow } from '../storage/tables.js';
import type { PeriodCounts } from './count-period.js';
import type { ListedDiscrepancy } from './listed-discrepancy.js';
import type { ReconciliationReport, StatementSummary } from './reconciliation-report.js';

/** A signed close as it reads back: what `periodDocument` made. */
export interface SignedPeriod {
  readonly site: string;
  readonly environment: Environment;
  readonly simulated: boolean;
  readonly timeZone: string;
  /** RFC 3339 in UTC; `to` is exclusive. */
  readonly from: string;
  readonly to: string;
  readonly counts: PeriodCounts;
  readonly stops: number;
  readonly statements: readonly StatementSummary[];
  readonly groups: readonly { readonly title: string; readonly count: number }[];
  readonly carriedOver: readonly PeriodDiscrepancy[];
  readonly resolved: readonly (PeriodDiscrepancy & {
    readonly closedAt: string;
    readonly closingEvidence: string | null;
  })[];
  /** How many more discrepancies there were than are listed; all of them count as carried over. */
  readonly notListed: number;
}

/** A signed addendum as it reads back: what `addendumDocument` made. */
export interface SignedAddendum {
  readonly number: number;
  readonly changes: readonly {
    readonly at: string;
    readonly subject: string;
    readonly detail: string;
  }[];
}

/**
 * What is signed when a period is closed: counts per stage, every discrepancy that was open at its end (resolved
 * since by which evidence, or carried over), statements and stops. Nothing in it moves with the clock alone, so the
 * digest that was shown is the one that is signed unless something changed.
 */
export function periodDocument(report: ReconciliationReport): Readonly<Record<string, JsonValue>> {
  const named = (d: ListedDiscrepancy) => ({
    id: d.id,
    class: d.class,
    subject: d.subject,
    detail: d.detail,
    owner: d.owner,
    openedAt: formatInstant(d.openedAt),
  });
  const carried = report.discrepancies.filter((d) => d.closedAt === null);
  const resolved = report.discrepancies.filter((d) => d.closedAt !== null);
  return {
    schema: 'drumline-period',
    version: '1.0',
    site: report.site,
    environment: report.environment,
    simulated: report.simulated,
    timeZone: report.timeZone,
    from: report.from,
    to: report.to,
    counts: report.counts as unknown as JsonValue,
    stops: report.stops,
    statements: report.statements as unknown as JsonValue,
    groups: report.groups.map((g) => ({ title: g.title, count: g.count })),
    carriedOver: carried.map(named),
    resolved: resolved.map((d) => ({
      ...named(d),
      closedAt: formatInstant(d.closedAt ?? d.openedAt),
      closingEvidence: d.closingEvidence,
    })),
    notListed: report.notListed,
  };
}

/** What is signed when an addendum is closed: the period it belongs to and everything that changed. */
export function addendumDocument(of: {
  readonly site: string;
  readonly period: { readonly id: string; readonly digest: string };
  readonly number: number;
  readonly changes: readonly PeriodChangeRow[];
}): Readonly<Record<string, JsonValue>> {
  return {
    schema: 'drumline-period-addendum',
    version: '1.0',
    site: of.site,
    period: of.period.id,
    periodDigest: of.period.digest,
    number: of.number,
    changes: of.changes.map(({ at, subject, detail }) => ({
      at: formatInstant(at),
      subject,
      detail,
    })),
  };
}
