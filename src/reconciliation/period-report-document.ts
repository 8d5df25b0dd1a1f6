import { type Instant, parseTimestamp } from '../formats/instant.js';
import { formatInZone } from '../formats/time-zone.js';
import type { SignatureManifest } from '../signatures/signature.js';
import { type PeriodReport, periodFacts, revisionWords } from './period-report.js';
import { countFacts, REPORT_CAUTIONS } from './reconciliation-report.js';
import { bannerOf, type ReportDocument } from './report-document.js';

/** A closed period laid out for HTML, PDF and text; instants by the site's clock, with their offset. */
export function periodReportDocument(report: PeriodReport): ReportDocument {
  const { period, signature, addenda, deliveries } = report;
  const at = (instant: Instant) => formatInZone(instant, period.timeZone).replace(/\.\d+/, '');
  const atText = (text: string) => at(instantOf(text));
  return {
    title: `Period close of ${report.siteTitle}`,
    banner: bannerOf(period),
    facts: periodFacts(report, atText).filter(([name]) => name !== 'data'),
    tables: [
      {
        title: 'Signatures',
        columns: ['What', 'Who and when', 'Meaning', 'Reason, and the SHA-256 of what was signed'],
        wide: [3],
        rows: [
          signatureRow('The close', signature),
          ...addenda.flatMap((a) =>
            a.signature === null ? [] : [signatureRow(`Addendum ${a.number}`, a.signature)],
          ),
        ],
        none: '',
      },
      {
        title: 'From dock to confirmation, when it was closed',
        columns: ['Count', 'Number'],
        rows: countFacts(period.counts).map(([name, value]) => [name, String(value)]),
        isFacts: true,
        none: '',
      },
      {
        title: 'Statements, when it was closed',
        columns: ['Receipt line', 'Latest statement', 'Revision', 'Stop'],
        rows: period.statements.map((s) => [
          s.receiptId,
          s.outcome,
          String(s.revision),
          s.hasStop ? 'in force' : '',
        ]),
        none: 'No statement was made for a receipt line of this period.',
      },
      {
        title: 'Carried over: open at its end and when it was closed; they still count',
        columns: ['Class', 'What', 'Owner', 'Open since'],
        wide: [1],
        rows: period.carriedOver.map((d) => [d.class, d.detail, d.owner, atText(d.openedAt)]),
        none: 'Nothing was carried over.',
      },
      {
        title: 'Resolved: open at its end, closed by evidence before it was signed',
        columns: ['Class', 'What', 'Owner', 'Open since', 'Closed by'],
        wide: [1, 4],
        rows: period.resolved.map((d) => [
          d.class,
          d.detail,
          d.owner,
          atText(d.openedAt),
          `${atText(d.closedAt)} by ${d.closingEvidence ?? ''}`,
        ]),
        none: 'Nothing.',
      },
      ...addenda.map((a) => ({
        title: `Addendum ${a.number}${a.signature === null ? ', open: nobody has signed it' : ', signed'}`,
        columns: ['Noted', 'What changed', 'About'],
        wide: [1],
        rows: a.changes.map((c) => [at(c.at), c.detail, c.subject]),
        none: 'It lists no change.',
      })),
      {
        title: 'Sent to destinations',
        columns: ['Destination', 'Message', 'State', 'Its number there, or why'],
        wide: [3],
        rows: deliveries.map((d) => [
          d.destination,
          revisionWords(d.revision),
          d.confirmedAt === null ? d.state : `${d.state} ${at(d.confirmedAt)}`,
          [d.reference, d.reason].filter((t) => t !== null).join('; '),
        ]),
        none: 'No destination has a message for closed periods.',
      },
    ],
    cautions: REPORT_CAUTIONS,
    generatedAt: latestOf(report),
  };
}

function signatureRow(what: string, s: SignatureManifest): string[] {
  return [
    what,
    `${s.printedName} (${s.userName}), ${s.atSite.replace(/\.\d+/, '')} ${s.zone}`,
    s.meaning,
    `${s.reason}; ${s.shownSha256}`,
  ];
}

/** The last thing that the report tells of: it takes the place of a clock, so that the same report is the same file. */
function latestOf({ signature, addenda, deliveries }: PeriodReport): Instant {
  const all = [
    instantOf(signature.at),
    ...addenda.flatMap((a) => [
      a.openedAt,
      ...(a.signature === null ? [] : [instantOf(a.signature.at)]),
      ...a.changes.map((c) => c.at),
    ]),
    ...deliveries.map((d) => d.confirmedAt ?? d.createdAt),
  ];
  return all.reduce((latest, one) => Math.max(latest, one) as Instant);
}

function instantOf(text: string): Instant {
  const parsed = parseTimestamp(text);
  if (parsed === null) throw new Error(`a signed period has no instant: ${text}`);
  return parsed.instant;
}
