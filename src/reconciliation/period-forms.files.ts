import { type PeriodReport, periodJson } from './period-report.js';
import { periodCsv } from './period-report-csv.js';
import { periodReportDocument } from './period-report-document.js';
import { type ReportFormat, type ReportWriters, writeReport } from './report-forms.files.js';

const WRITERS: ReportWriters<PeriodReport> = {
  json: periodJson,
  csv: periodCsv,
  document: periodReportDocument,
};

/** A closed period in one of the forms of a report, with its media type. */
export function writePeriod(report: PeriodReport, format: ReportFormat) {
  return writeReport(report, format, WRITERS);
}
