import { basename, dirname } from 'node:path';
import { EXIT, progress } from './output.js';
import { writeOnce } from './write-once.files.js';

/** What a report can be written as. */
export const REPORT_FORMATS = ['text', 'json', 'csv', 'html', 'pdf'] as const;
export type ReportFormat = (typeof REPORT_FORMATS)[number];

export interface ReportFileOptions {
  readonly format?: ReportFormat;
  readonly out?: string;
  readonly overwrite?: boolean;
  readonly json?: boolean;
}

/** The form asked for: text, with `--json` JSON, unless one is named. */
export function reportFormat(options: ReportFileOptions): ReportFormat {
  return options.format ?? (options.json === true ? 'json' : 'text');
}

/** What is wrong with the options in words; null when a report can be printed or written by them. */
export function reportUsageFault(options: ReportFileOptions): string | null {
  if (options.out !== undefined) return null;
  const format = reportFormat(options);
  if (format === 'pdf') return 'a PDF is written to a file: name it with --out';
  if (options.json === true && format !== 'json') {
    return `--json prints the report as JSON; write ${format} to a file with --out`;
  }
  return null;
}

/** Never replaces a file that holds something else unless asked to; false, with an exit code, when it did not write. */
export async function writeReportFile(
  options: ReportFileOptions,
  out: string,
  bytes: Uint8Array,
): Promise<boolean> {
  const outcome = await writeOnce(dirname(out), basename(out), bytes, {
    overwrite: options.overwrite === true,
  });
  if (outcome !== 'differs') return true;
  progress(`${out} holds something else: name another file, or say --overwrite`);
  process.exitCode = EXIT.usage;
  return false;
}
