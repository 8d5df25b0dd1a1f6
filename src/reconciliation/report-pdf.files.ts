import { createRequire } from 'node:module';
import { dirname, join } from 'node:path';
import pdfmake, { type Content } from 'pdfmake';
import { byCode } from '../formats/visible-text.js';
import { headingOf, type ReportDocument, type ReportTable } from './report-document.js';
import { isLong, isOneLine, PADDING, partsOfRow, roomOf, wordMaxOf } from './table-parts.js';

const FONTS = join(
  dirname(createRequire(import.meta.url).resolve('pdfmake/package.json')),
  'fonts/Roboto',
);

const roboto = (name: string) => join(FONTS, `Roboto-${name}.ttf`);
pdfmake.setFonts({
  Roboto: { normal: roboto('Regular'), bold: roboto('Medium') },
});
// A report loads nothing: no address, and no file but its fonts.
pdfmake.setUrlAccessPolicy(() => false);
pdfmake.setLocalAccessPolicy((path: string) => dirname(path) === FONTS);

/** Lowest place of a heading on a page, as a part of its height. */
const HEADING_LOWEST = 0.84;

/** Rows of one table in a PDF; the other forms hold all, and the PDF says how many it leaves out. */
const ROWS_MAX = 5_000;

/**
 * A report as PDF: the same report gives the same bytes. Pages are numbered and carry the banner; text that the
 * font has no shape for is written by its code.
 */
export async function documentPdf(report: ReportDocument): Promise<Buffer> {
  const created = new Date(Math.floor(report.generatedAt / 1000));
  const definition: Parameters<typeof pdfmake.createPdf>[0] = {
    pageSize: 'A4',
    pageOrientation: 'landscape',
    pageMargins: [40, 48, 40, 44],
    info: {
      title: shown(report.title),
      author: 'Drumline',
      producer: 'Drumline',
      creator: 'Drumline',
      creationDate: created,
      modDate: created,
    },
    defaultStyle: { font: 'Roboto', fontSize: 9 },
    styles: {
      title: { fontSize: 16, bold: true },
      heading: { fontSize: 11, bold: true, margin: [0, 12, 0, 4] },
      head: { bold: true, fillColor: '#f0efea' },
      banner: { bold: true, color: '#7c4f00' },
    },
    header: () => ({ text: shown(report.banner ?? ''), style: 'banner', margin: [40, 20, 40, 0] }),
    footer: (page: number, pages: number) => ({
      columns: [
        { text: shown(report.title) },
        { text: `page ${page} of ${pages}`, alignment: 'right' as const },
      ],
      margin: [40, 12, 40, 0],
      fontSize: 8,
    }),
    // A heading goes with what it heads: the head of its table, which goes with a row, needs room below it.
    pageBreakBefore: (node, queries) =>
      node.headlineLevel === 1 &&
      (queries.getFollowingNodesOnPage().length === 0 ||
        node.startPosition.verticalRatio > HEADING_LOWEST),
    content: [
      { text: shown(report.title), style: 'title' },
      {
        margin: [0, 8, 0, 0],
        layout: 'noBorders',
        table: {
          widths: ['auto', '*'],
          body: report.facts.map(([name, value]) => [
            { text: shown(name), color: '#525b69' },
            shown(value),
          ]),
        },
      },
      ...report.tables.flatMap(tableContent),
      { text: 'Before you act on this report', style: 'heading' },
      { ul: report.cautions.map(shown) },
    ],
  };
  return pdfmake.createPdf(definition).getBuffer();
}

/** Rows of facts by name that stay together in two columns: what is kept together and higher than a page is cut off at its foot. */
const TOGETHER_MAX = 40;

function tableContent(table: ReportTable): Content[] {
  const { rows, none, isFacts = false } = table;
  const heading = { text: shown(headingOf(table)), style: 'heading', headlineLevel: 1 };
  if (rows.length === 0) return [heading, { text: shown(none) }];
  const more = rows.length - ROWS_MAX;
  const half = Math.ceil(rows.length / 2);
  return [
    heading,
    isFacts && rows.length > 1
      ? {
          columns: [rows.slice(0, half), rows.slice(half)].map((of) => gridOf(table, of)),
          columnGap: 40,
          unbreakable: rows.length <= TOGETHER_MAX,
        }
      : gridOf(table, rows.slice(0, ROWS_MAX)),
    ...(more > 0
      ? [{ text: `${more} more are left out here; the report as CSV or JSON holds them.` }]
      : []),
  ];
}

function gridOf({ columns, wide }: ReportTable, rows: ReportTable['rows']): Content {
  const parts = rows.flatMap((row) => partsOfRow(row.map(shown)));
  const takesRoom = (i: number) => wide?.includes(i) ?? (columns.length > 2 && i > 0 && i !== 2);
  const isWide = columns.map(
    (_, i) => takesRoom(i) || parts.some(({ cells }) => isLong(cells[i] ?? '')),
  );
  const wordMax = wordMaxOf(parts, isWide);
  const continues = (row: number) => parts[row - 1]?.isContinued === true;
  return {
    // As the library's light horizontal lines, but none within a row that is written in parts.
    layout: {
      hLineWidth: (line, { table: { body } }) => {
        if (line === 0 || line === body.length || continues(line)) return 0;
        return line === 1 ? 2 : 1;
      },
      vLineWidth: () => 0,
      hLineColor: (line) => (line === 1 ? 'black' : '#aaa'),
      paddingLeft: (i) => (i === 0 ? 0 : PADDING),
      paddingRight: (i) => (i === columns.length - 1 ? 0 : PADDING),
      paddingTop: (row) => (continues(row) ? 1 : 2),
      paddingBottom: (row) => (continues(row + 1) ? 0 : 2),
    },
    table: {
      headerRows: 1,
      keepWithHeaderRows: 1,
      // Of a row higher than a page this would show the first page alone: there is none, see `partsOfRow`.
      dontBreakRows: true,
      widths: isWide.map((is) => (is ? '*' : 'auto')),
      body: [
        columns.map((c) => ({ text: shown(c), style: 'head' })),
        ...parts.map(({ cells }) => cells.map((text, i) => cell(text, i, wordMax))),
      ],
    },
  };
}

function cell(text: string, column: number, wordMax: number): Content {
  if (isOneLine(text, column)) return { text, noWrap: true };
  if (roomOf(text) <= wordMax) return { text };
  return {
    text: text
      .split(/(?<= )/)
      .map((word) =>
        roomOf(word.trimEnd()) > wordMax ? { text: word, wordBreak: 'break-all' as const } : word,
      ),
  };
}

/**
 * What Roboto has shapes for that are seen, at least: Latin with its supplements, Greek, Cyrillic, common punctuation.
 */
function shown(text: string): string {
  return [...text].map((c) => (HAS_SHAPE.test(c) ? c : byCode(c))).join('');
}

const HAS_SHAPE =
  /^[\u0020-\u007e\u00a1-\u00ac\u00ae-\u017f\u0384-\u03ce\u0400-\u045f\u2010-\u2027\u20ac\u2122]$/u;
