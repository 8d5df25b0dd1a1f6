import { writeCsv } from '../formats/csv.js';
import { formatInstant } from '../formats/instant.js';
import type { SignatureManifest } from '../signatures/signature.js';
import { type PeriodReport, periodFacts, revisionWords } from './period-report.js';
import { countFacts, REPORT_CAUTIONS } from './reconciliation-report.js';

const CSV_COLUMNS = [
  'record',
  'name',
  'value',
  'addendum',
  'class',
  'subject',
  'detail',
  'owner',
  'at',
  'closed_at',
  'closing_evidence',
  'signed_by',
  'user_name',
  'sha256',
] as const;

/** A closed period as rows for people, told apart by `record`; cells that a spreadsheet would run are made text. */
export function periodCsv(report: PeriodReport): string {
  const row = (cells: Partial<Record<(typeof CSV_COLUMNS)[number], string>>) =>
    CSV_COLUMNS.map((column) => cells[column] ?? '');
  const { period } = report;
  const signed = (name: string, s: SignatureManifest, addendum = '') =>
    row({
      record: 'signature',
      name,
      addendum,
      value: s.meaning,
      detail: s.reason,
      at: s.at,
      signed_by: s.printedName,
      user_name: s.userName,
      sha256: s.shownSha256,
    });
  return writeCsv(
    [
      [...CSV_COLUMNS],
      ...periodFacts(report, (text) => text).map(([name, value]) =>
        row({ record: 'period', name, value }),
      ),
      signed('the close', report.signature),
      ...countFacts(period.counts).map(([name, value]) =>
        row({ record: 'count', name, value: String(value) }),
      ),
      ...period.statements.map((s) =>
        row({
          record: 'statement',
          name: s.outcome,
          value: `revision ${s.revision}${s.hasStop ? ', a stop is in force' : ''}`,
          subject: s.receiptId,
        }),
      ),
      ...period.groups.map((g) => row({ record: 'group', name: g.title, value: String(g.count) })),
      ...period.carriedOver.map((d) =>
        row({
          record: 'carried over',
          class: d.class,
          subject: d.subject,
          detail: d.detail,
          owner: d.owner,
          at: d.openedAt,
        }),
      ),
      ...period.resolved.map((d) =>
        row({
          record: 'resolved',
          class: d.class,
          subject: d.subject,
          detail: d.detail,
          owner: d.owner,
          at: d.openedAt,
          closed_at: d.closedAt,
          closing_evidence: d.closingEvidence ?? '',
        }),
      ),
      ...report.addenda.flatMap((a) => [
        a.signature === null
          ? row({
              record: 'addendum',
              name: 'open, not signed',
              addendum: String(a.number),
              at: formatInstant(a.openedAt),
            })
          : signed(`addendum ${a.number}`, a.signature, String(a.number)),
        ...a.changes.map((c) =>
          row({
            record: 'change',
            addendum: String(a.number),
            subject: c.subject,
            detail: c.detail,
            at: formatInstant(c.at),
          }),
        ),
      ]),
      ...report.deliveries.map((d) =>
        row({
          record: 'delivery',
          name: revisionWords(d.revision),
          value: d.state,
          subject: d.destination,
          detail: d.reason ?? '',
          at: formatInstant(d.createdAt),
        }),
      ),
      ...REPORT_CAUTIONS.map((value) => row({ record: 'caution', value })),
    ],
    { isFormulaSafe: true },
  );
}
