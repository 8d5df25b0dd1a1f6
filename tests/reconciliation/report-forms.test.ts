import { describe, expect, it } from 'vitest';
import { parseCsv } from '../../src/formats/csv.js';
import { addMs } from '../../src/formats/instant.js';
import {
  reconciliationCsv,
  reconciliationJson,
} from '../../src/reconciliation/reconciliation-report.js';
import { reportDocument } from '../../src/reconciliation/report-document.js';
import { documentHtml } from '../../src/reconciliation/report-html.js';
import { documentPdf } from '../../src/reconciliation/report-pdf.files.js';
import { documentText } from '../../src/reconciliation/report-text.js';
import { siteDay } from '../../src/reconciliation/site-day.js';
import { ComparisonWorld } from './comparison-world.js';

const FORMULA = '=HYPERLINK("x")';

async function report() {
  const compared = await ComparisonWorld.open();
  await compared.world.announce({ containers: ['D-01', FORMULA, '漢<b>'] });
  await compared.world.measure({ container: 'D-01' });
  const day = siteDay('2026-03-04', compared.world.site.timeZone);
  if (!day) throw new Error('no day');
  compared.world.clock.advance(25 * 3_600_000);
  return compared.reconciliation.report(day.from, addMs(day.to, 0));
}

describe('the report', () => {
  it('holds the same in every form: counts, discrepancies, cautions, and that data are simulated', async () => {
    const of = await report();
    const document = reportDocument(of);
    const forms = {
      text: documentText(document),
      html: documentHtml(document),
      csv: reconciliationCsv(of),
      json: reconciliationJson(of),
    };
    expect(of.discrepancies.map((d) => d.class)).toContain('not-measured');
    for (const [form, written] of Object.entries(forms)) {
      expect(written, form).toContain('the quality unit releases');
      expect(written, form).toMatch(/containers expected|expectedContainers/);
      for (const d of of.discrepancies) expect(written, form).toContain(d.class);
      expect(written, form).toMatch(/SIMULATED|"simulated":true/);
      expect(written, form).toContain('Europe/London');
    }
    expect(forms.html).not.toContain('漢<b>');
    expect(forms.html).toContain('漢&lt;b&gt;');
  });

  it('is safe as CSV in a spreadsheet, and reads back', async () => {
    const csv = parseCsv(reconciliationCsv(await report()));
    if (!csv.ok) throw new Error('unreadable');
    const cells = csv.rows.flatMap((row) => row.cells);
    expect(cells).toContain(`'${FORMULA}`);
    expect(cells.filter((c) => /^[=@]/.test(c))).toEqual([]);
  });

  it('is a PDF of the same bytes for the same report, with its pages numbered', async () => {
    const document = reportDocument(await report());
    const [first, second] = [await documentPdf(document), await documentPdf(document)];
    expect(first.subarray(0, 5).toString('latin1')).toBe('%PDF-');
    expect(first.equals(second)).toBe(true);
    const words = first.toString('latin1');
    // The clock of the report, 25 hours past 09:00 of the day, in the document itself.
    expect(words).toMatch(/\(D:20260305/);
    expect(words.match(/\/Type \/Page\b/g)?.length).toBeGreaterThan(0);
  });
});
