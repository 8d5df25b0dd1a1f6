import { Problem } from '../problem-details.js';
import type { ReportDocument } from './report-document.js';
import { documentHtml } from './report-html.js';
import { documentText } from './report-text.js';

/** What a report can be written as; every form holds the same. */
const TYPES = {
  json: 'application/json',
  csv: 'text/csv; charset=utf-8',
  text: 'text/plain; charset=utf-8',
  html: 'text/html; charset=utf-8',
  pdf: 'application/pdf',
} as const;

export type ReportFormat = keyof typeof TYPES;

/** How one kind of report is laid out; HTML, PDF and text are written from the same document. */
export interface ReportWriters<R> {
  readonly json: (report: R) => string;
  readonly csv: (report: R) => string;
  readonly document: (report: R) => ReportDocument;
}

/**
 * The form that was asked for, JSON when none was.
 *
 * @throws Problem `query-invalid` for any other word
 */
export function readReportFormat(text: string | undefined): ReportFormat {
  const format = text ?? 'json';
  if (Object.hasOwn(TYPES, format)) return format as ReportFormat;
  const forms = Object.keys(TYPES).join(', ');
  throw new Problem('query-invalid', `format: expected one of ${forms}, found ${format}`);
}

export async function writeReport<R>(
  report: R,
  format: ReportFormat,
  writers: ReportWriters<R>,
): Promise<{ readonly type: string; readonly body: string | Buffer }> {
  return { type: TYPES[format], body: await bodyOf(report, format, writers) };
}

function bodyOf<R>(
  report: R,
  format: ReportFormat,
  writers: ReportWriters<R>,
): string | Promise<Buffer> {
  switch (format) {
    case 'json':
      return writers.json(report);
    case 'csv':
      return writers.csv(report);
    case 'text':
      return documentText(writers.document(report));
    case 'html':
      return documentHtml(writers.document(report));
    case 'pdf':
      // Loaded when somebody asks: what writes PDF is a tenth of what a start would load.
      return import('./report-pdf.files.js').then(({ documentPdf }) =>
        documentPdf(writers.document(report)),
      );
  }
}
