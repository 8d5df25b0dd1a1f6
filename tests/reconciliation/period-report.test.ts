import { describe, expect, it } from 'vitest';
import { parseCsv } from '../../src/formats/csv.js';
import { type Instant, parseTimestamp } from '../../src/formats/instant.js';
import {
  type PeriodReport,
  periodJson,
  periodStateWords,
} from '../../src/reconciliation/period-report.js';
import { periodCsv } from '../../src/reconciliation/period-report-csv.js';
import { periodReportDocument } from '../../src/reconciliation/period-report-document.js';
import { documentHtml } from '../../src/reconciliation/report-html.js';
import { documentPdf } from '../../src/reconciliation/report-pdf.files.js';
import { documentText } from '../../src/reconciliation/report-text.js';
import type { SignatureManifest } from '../../src/signatures/signature.js';

const FORMULA = '=HYPERLINK("x")';

function at(text: string): Instant {
  const parsed = parseTimestamp(text);
  if (parsed === null) throw new Error(text);
  return parsed.instant;
}

function signed(by: string, when: string, reason: string, sha: string): SignatureManifest {
  return {
    signatureId: `signature of ${by}`,
    printedName: by,
    userName: by.toLowerCase(),
    at: when,
    atSite: when,
    zone: 'Europe/London',
    meaning: 'closed',
    reason,
    shownSha256: sha.repeat(16),
    digest: sha.repeat(16),
  };
}

const DISCREPANCY = {
  id: 'd-1',
  class: 'not-measured',
  subject: 'container:["R-1","D-03"]',
  detail: FORMULA,
  owner: 'receiving',
  openedAt: '2026-10-25T08:00:00.000000Z',
};

/** The 25-hour day, closed, with an addendum that is signed and one that is open. */
const REPORT: PeriodReport = {
  id: 'period-1',
  siteTitle: 'Northquay',
  period: {
    site: 'northquay',
    environment: 'training',
    simulated: true,
    timeZone: 'Europe/London',
    from: '2026-10-24T23:00:00.000000Z',
    to: '2026-10-26T00:00:00.000000Z',
    counts: {
      receipts: 1,
      expectedContainers: 3,
      measuredContainers: 2,
      acceptedResults: 2,
      heldResults: 0,
      refusedResults: 0,
      supersededResults: 0,
      heldBundles: 0,
      refusedBundles: 0,
      deliveredResults: 2,
      confirmedResults: 1,
      byDestination: [{ destination: 'lims', delivered: 2, confirmed: 1 }],
    },
    stops: 1,
    statements: [{ receiptId: 'R-1', revision: 4, outcome: 'incomplete', hasStop: true }],
    groups: [{ title: 'Not measured', count: 1 }],
    carriedOver: [DISCREPANCY],
    resolved: [
      {
        ...DISCREPANCY,
        id: 'd-2',
        class: 'overdue',
        detail: 'result at lims was late',
        closedAt: '2026-10-26T07:00:00.000000Z',
        closingEvidence: 'delivery x',
      },
    ],
    notListed: 0,
  },
  signature: signed('Sam', '2026-10-26T08:00:00.000000Z', 'end of day', 'c0de'),
  addenda: [
    {
      number: 1,
      openedAt: at('2026-10-26T09:00:00Z'),
      changes: [
        { at: at('2026-10-26T09:00:00Z'), subject: 'result:a', detail: 'result a is accepted' },
      ],
      signature: signed('Robin', '2026-10-26T10:00:00.000000Z', 'late sync', 'feed'),
    },
    {
      number: 2,
      openedAt: at('2026-10-26T11:00:00Z'),
      changes: [
        { at: at('2026-10-26T11:00:00Z'), subject: 'result:b', detail: 'result b is held' },
      ],
      signature: null,
    },
  ],
  deliveries: [
    {
      id: 'x',
      destination: 'lims',
      revision: 1,
      state: 'confirmed',
      createdAt: at('2026-10-26T08:00:00Z'),
      confirmedAt: at('2026-10-26T08:00:02Z'),
      reference: 'L-000007',
      reason: null,
    },
    {
      id: 'y',
      destination: 'lims',
      revision: 2,
      state: 'rejected',
      createdAt: at('2026-10-26T10:00:00Z'),
      confirmedAt: null,
      reference: null,
      reason: 'no place for it',
    },
  ],
};

describe('the document of a closed period', () => {
  it('holds the same in every form: who signed what, counts, what is open, addenda by number, who was told', () => {
    const document = periodReportDocument(REPORT);
    const forms = {
      text: documentText(document),
      html: documentHtml(document),
      csv: periodCsv(REPORT),
      json: periodJson(REPORT),
    };
    for (const [form, written] of Object.entries(forms)) {
      for (const words of [
        'Sam',
        'Robin',
        'end of day',
        'late sync',
        'c0de'.repeat(16),
        'feed'.repeat(16),
        'not-measured',
        'delivery x',
        'result a is accepted',
        'result b is held',
        'no place for it',
        'Europe/London',
        'the quality unit releases',
      ]) {
        expect(written, form).toContain(words);
      }
      expect(written, form).toMatch(/SIMULATED|"simulated":true/);
      expect(written, form).toMatch(/containers expected|expectedContainers/);
    }
    expect(forms.text).toContain('Addendum 2, open: nobody has signed it');
    expect(forms.html).not.toContain(FORMULA);
  });

  it('says both ends by the clock of the site, on the day that has 25 hours', () => {
    const facts = new Map(periodReportDocument(REPORT).facts);
    expect(facts.get('measured from')).toBe('2026-10-25T00:00:00+01:00');
    expect(facts.get('measured before')).toBe('2026-10-26T00:00:00+00:00');
  });

  it('is safe as CSV in a spreadsheet, and reads back', () => {
    const csv = parseCsv(periodCsv(REPORT));
    if (!csv.ok) throw new Error('unreadable');
    const cells = csv.rows.flatMap((row) => row.cells);
    expect(cells).toContain(`'${FORMULA}`);
    expect(cells.filter((c) => /^[=@]/.test(c))).toEqual([]);
  });

  it('is a PDF of the same bytes for the same period', async () => {
    const document = periodReportDocument(REPORT);
    const [first, second] = [await documentPdf(document), await documentPdf(document)];
    expect(first.equals(second)).toBe(true);
    // The last thing it tells of, 11:00 UTC, in place of a clock.
    expect(first.toString('latin1')).toMatch(/\(D:20261026110000/);
  });

  it('says in words whether something changed that nobody has signed', () => {
    const [one, two] = REPORT.addenda;
    if (!one || !two) throw new Error('no addenda');
    expect(periodStateWords([])).toBe('closed');
    expect(periodStateWords([one])).toBe('closed, with 1 signed addendum');
    expect(periodStateWords([one, two])).toContain('addendum 2 is open');
  });
});
