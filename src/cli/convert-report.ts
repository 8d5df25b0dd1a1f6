import type { Finding } from '../checks/finding.js';
import type { XsdFault } from '../formats/xsd-validator.files.js';
import type { TechniqueFinding } from '../records/animl-technique-check.js';
import type { FileFormat, OpenFormat } from '../records/open-file.js';
import type { ConvertAnswer, ConvertedItem, Source } from './convert-task.js';
import type { WriteOutcome } from './write-once.files.js';

/** What became of one record or spectrum. */
export interface WrittenItem extends Omit<ConvertedItem, 'files'> {
  readonly file: string | null;
  /** CSV: the file with the values beside the record; null otherwise. */
  readonly spectrumFile: string | null;
  /** AnIML: the other form of the record that the document names; null otherwise. */
  readonly attachment: string | null;
  readonly state: WriteOutcome | 'invalid' | 'impossible';
  readonly schemaFaults: readonly XsdFault[];
}

export function isFine({ state, held }: WrittenItem): boolean {
  return !held && (state === 'written' || state === 'unchanged');
}

export const FORMAT_TITLES: Readonly<Record<FileFormat, string>> = {
  bundle: 'result bundle',
  animl: 'AnIML',
  e1947: 'E1947-style netCDF',
  jcamp: 'JCAMP-DX',
  csv: 'CSV',
};

/** The source as the JSON report names it. */
export function reportedSource({ format, found }: Source): {
  readonly from: FileFormat | null;
  readonly found: string | null;
} {
  return { from: format, found };
}

export function refusedText(answer: ConvertAnswer & { readonly kind: 'refused' }): string {
  const { source, findings, faults, techniqueFindings } = answer;
  const what = source.format === 'bundle' ? 'the bundle' : 'the file';
  return [
    `Nothing was written: ${what} cannot be read.`,
    ...(source.format === null || source.format === 'bundle' ? [] : [sourceLine(source)]),
    ...findings.map(describe),
    ...faults.map(({ at, message }) => `${at}: ${message}`),
    ...techniqueLines(techniqueFindings),
  ].join('\n');
}

export function convertedText(
  answer: ConvertAnswer & { readonly kind: 'converted' },
  files: readonly WrittenItem[],
  to: OpenFormat,
): string {
  const count = (state: WrittenItem['state']) => files.filter((f) => f.state === state).length;
  const held = files.filter((file) => file.held).length;
  const { source, techniqueFindings } = answer;
  const things = files.every(({ resultId }) => resultId === null) ? 'spectra' : 'results';
  return [
    ...(source.format === 'bundle'
      ? []
      : [`${sourceLine(source)}, written as ${FORMAT_TITLES[to]}`]),
    ...techniqueLines(techniqueFindings),
    ...files.flatMap((file) => (isFine(file) ? remarkLines(file) : describeFile(file))),
    `${files.length} ${things}: ${count('written')} written, ${count('unchanged')} already there, ${held} held.`,
  ].join('\n');
}

function sourceLine({ format, found }: Source): string {
  const title = format === null ? 'unknown' : FORMAT_TITLES[format];
  return found === null ? `read as ${title}` : `found ${found}, read as ${title}`;
}

function techniqueLines(findings: readonly TechniqueFinding[]): readonly string[] {
  return findings.map(({ path, message }) => `not as our technique says, at ${path}: ${message}`);
}

const STATES: Readonly<Record<WrittenItem['state'], string>> = {
  written: 'written',
  unchanged: 'already there',
  differs:
    'not written: the file is there and holds something else; use another folder or --overwrite',
  invalid: 'not written: the document breaks the schema',
  impossible: 'not written',
};

function describeFile(file: WrittenItem): readonly string[] {
  const name = file.file ?? file.pointer;
  const reason = file.reason === null ? '' : `: ${file.reason}`;
  const what = [file.resultId, `${name} ${STATES[file.state]}${reason}`.trim()];
  return [
    what.filter((part) => part !== null).join(': '),
    ...file.remarks.map((remark) => `  ${remark}`),
    ...file.schemaFaults.map(({ line, message }) => `  line ${line}: ${message}`),
    ...file.findings.map((finding) => `  ${describe(finding)}`),
  ];
}

function remarkLines(file: WrittenItem): readonly string[] {
  return file.remarks.map((remark) => `${file.file}: ${remark}`);
}

function describe({ code, pointer, message, advice }: Finding): string {
  return `${code} at ${pointer === '' ? 'the document' : pointer}: ${message}. ${advice}`;
}
