import { expect, it } from 'vitest';
import type { Instant } from '../../src/formats/instant.js';
import type { ReportDocument, ReportTable } from '../../src/reconciliation/report-document.js';
import { documentPdf } from '../../src/reconciliation/report-pdf.files.js';
import { describeWithPoppler, type PdfWord, wordsOfPdf } from '../support/poppler.js';

const COLUMNS = ['Class', 'What', 'Owner', 'Open since', 'Became of it'];
const DAY = '2026-03-04T10:00:00+00:00';
/** As long as a reason may be. */
const REASON_MAX = 2000;

function row(what: string, more: Partial<Record<'kind' | 'owner' | 'became', string>> = {}) {
  const { kind = 'parked', owner = 'role:administrator', became = 'open' } = more;
  return [kind, what, owner, `${DAY}, past its target`, became];
}

async function wordsOf(table: Partial<ReportTable>): Promise<PdfWord[]> {
  const title = 'Discrepancies';
  const document: ReportDocument = {
    title: 'Reconciliation of Northquay',
    banner: 'SIMULATED',
    facts: [['site', 'northquay']],
    tables: [{ title, columns: COLUMNS, rows: [], none: 'None.', ...table }],
    cautions: ['Nothing here releases anything.'],
    generatedAt: 1_780_000_000_000_000 as Instant,
  };
  return wordsOfPdf(await documentPdf(document));
}

/** Numbered words, so that each can be looked for. */
function numbered(mark: string, length: number): string[] {
  return Array.from({ length: Math.floor(length / 6) }, (_, n) => `${mark}${1000 + n}`);
}

function countOf(words: readonly PdfWord[], character: string): number {
  return words.reduce((sum, { text }) => sum + text.split(character).length - 1, 0);
}

describeWithPoppler('a report as PDF', () => {
  it('holds every word of a reason of 2000 characters, and of the rows around it', async () => {
    const before = numbered('b', 30);
    const reason = numbered('r', REASON_MAX);
    const after = numbered('a', 30);
    const rows = [before, reason, after].map((words) => row(words.join(' ')));
    const words = await wordsOf({ rows });
    const said = words.map(({ text }) => text).filter((text) => /^[bra]\d{4}$/.test(text));
    expect([...said].sort()).toEqual([...before, ...reason, ...after].sort());
    expect(words.filter(({ isOnPage }) => !isOnPage)).toEqual([]);
  });

  it('holds the first row of a table too, where that is the long one', async () => {
    const reason = numbered('r', REASON_MAX);
    const words = (await wordsOf({ rows: [row(reason.join(' '))] })).map(({ text }) => text);
    expect(reason.filter((word) => !words.includes(word))).toEqual([]);
  });

  it('holds text without a space, in one column or in all, within the page', async () => {
    const [what, became, owner, kind] = ['ž', 'ß', 'ø', 'Щ'].map((c) => c.repeat(REASON_MAX));
    const rows = [
      row('first'),
      row(what ?? ''),
      row('second', { became: became ?? '' }),
      row(what ?? '', { became: became ?? '', owner: owner ?? '', kind: kind ?? '' }),
      row('last'),
    ];
    const words = await wordsOf({ rows });
    const counts = ['ž', 'ß', 'ø', 'Щ'].map((c) => countOf(words, c));
    expect(counts).toEqual([2 * REASON_MAX, 2 * REASON_MAX, REASON_MAX, REASON_MAX]);
    const texts = words.map(({ text }) => text);
    for (const word of ['first', 'second', 'last']) expect(texts).toContain(word);
    expect(words.filter(({ isOnPage }) => !isOnPage)).toEqual([]);
  });

  it('holds several long reasons in one row, of short words and of none the font has a shape for', async () => {
    const [what, became] = [numbered('r', REASON_MAX), numbered('c', REASON_MAX)];
    const shapeless = '漢'.repeat(REASON_MAX / 4);
    const rows = [row(what.join(' '), { became: became.join(' ') }), row(shapeless)];
    const words = await wordsOf({ rows });
    const texts = new Set(words.map(({ text }) => text));
    expect([...what, ...became].filter((word) => !texts.has(word))).toEqual([]);
    // Their code, unbroken where a part of the text ends.
    expect(countOf(words, '6F22')).toBeGreaterThan(REASON_MAX / 4 - 60);
    expect(countOf(words, '{')).toBe(REASON_MAX / 4);
    expect(words.filter(({ isOnPage }) => !isOnPage)).toEqual([]);
  });

  it('keeps a row that fits a page on one page', async () => {
    const rows = Array.from({ length: 60 }, (_, n) => row(`${numbered(`s${n}x`, 120).join(' ')}`));
    const words = await wordsOf({ rows });
    expect(Math.max(...words.map(({ page }) => page))).toBeGreaterThan(2);
    for (const n of rows.keys()) {
      const pages = words.filter(({ text }) => text.startsWith(`s${n}x`)).map(({ page }) => page);
      expect(pages.length).toBe(20);
      expect(new Set(pages).size, `row ${n}`).toBe(1);
    }
  });

  it('keeps a word of usual length whole', async () => {
    const words = await wordsOf({ rows: [row(`measured at ${DAY} by NQ-R-0001`)] });
    expect(words.map(({ text }) => text)).toContain(DAY);
    expect(words.map(({ text }) => text)).toContain(`${DAY},`);
  });

  it('holds more facts by name than a page has lines', async () => {
    const names = numbered('f', 1200);
    const words = await wordsOf({
      columns: ['Count', 'Number'],
      rows: names.map((name) => [name, '1']),
      isFacts: true,
    });
    const texts = new Set(words.map(({ text }) => text));
    expect(names.filter((name) => !texts.has(name))).toEqual([]);
  });
});
