import { createHash } from 'node:crypto';
import { readFileSync, statSync } from 'node:fs';
import { basename, dirname, join } from 'node:path';
import { examineBundle } from '../checks/examine-bundle.js';
import { type Instant, parseTimestamp } from '../formats/instant.js';
import type { OpenFault } from '../formats/open-spectrum.js';
import {
  type Encoded,
  encodeOpenSpectrum,
  encodeRecord,
  roundedSpectrum,
} from '../records/encode-record.js';
import {
  CSV_BYTES_MAX,
  type DecodedRecord,
  decodeOpenFile,
  detectFormat,
  utf8,
} from '../records/open-file.js';
import { readSpectrumOfRecord } from '../records/spectrum-csv.js';
import type { SiteFolder } from '../site/site-folder.js';
import { convertBundle, encodedParts, HELD_MARK, SITE_OF_NOTHING } from './convert-bundle.js';
import type { ConvertAnswer, ConvertedItem, ConvertTask, Source } from './convert-task.js';
import { unreadableFile } from './file-fault.js';
import { safeFileName } from './safe-file-name.js';

export interface ConvertContext {
  /** null: nothing is rechecked. */
  readonly site: SiteFolder | null;
  readonly validateSchema: Parameters<typeof examineBundle>[2]['validateSchema'];
}

/** Larger than every reader's own limit, which names its place; this one spares reading the rest. */
const BYTES_MAX = 268_435_456;

/** Marks values that are not those of the record, as `HELD_MARK` marks a held result. */
const ROUNDED_MARK = '~rounded';

/** Reads one file of any known form and gives what is to be written of it. Writes nothing. */
export function convertFile(task: ConvertTask, context: ConvertContext): ConvertAnswer {
  let bytes: Buffer;
  try {
    bytes = readBounded(task.file);
  } catch (error) {
    return { kind: 'unusable', message: unreadableFile(task.file, error) };
  }
  const detected = task.from === null ? detectFormat(bytes) : null;
  const source: Source = {
    format: task.from ?? detected?.format ?? null,
    found: detected?.found ?? null,
  };
  const { format } = source;
  if (format === null) {
    const message = `found ${source.found}, expected a bundle, AnIML, netCDF, JCAMP-DX or CSV`;
    return refused(source, [{ at: 'the file', message }]);
  }
  if (format === 'bundle') return convertBundleBytes(bytes, source, task, context);
  const decoded = decodeOpenFile(bytes, format, task.readForm);
  const { findings: techniqueFindings } = decoded;
  if (decoded.kind === 'refused') return { ...refused(source, decoded.faults), techniqueFindings };
  const base = { kind: 'converted', source, bundleId: null, techniqueFindings } as const;
  if (decoded.kind === 'spectra') {
    const stem = safeFileName(stemOf(task.file).replace(/\.spectrum$/, ''));
    const items = decoded.spectra.map((spectrum, index) => {
      const name = decoded.spectra.length === 1 ? stem : `${stem}-${index + 1}`;
      const encoded = encodeOpenSpectrum(spectrum, task.to, task.form);
      return itemOf(null, name, encoded, false);
    });
    return { ...base, items };
  }
  const items: ConvertedItem[] = [];
  for (const one of decoded.records) {
    const whole = format === 'csv' ? withSpectrum(one, decoded.records.length === 1, task) : one;
    if ('at' in whole) return refused(source, [whole]);
    items.push(...itemsOfRecord(whole, task));
  }
  return { ...base, items };
}

function readBounded(file: string): Buffer {
  const { size } = statSync(file);
  if (size > BYTES_MAX) throw new RangeError(`expected at most ${BYTES_MAX} bytes, found ${size}`);
  return readFileSync(file);
}

function stemOf(file: string): string {
  return basename(file).replace(/\.[^.]*$/, '');
}

function convertBundleBytes(
  bytes: Uint8Array,
  source: Source,
  task: ConvertTask,
  { site, validateSchema }: ConvertContext,
): ConvertAnswer {
  const examination = examineBundle(bytes, site ?? SITE_OF_NOTHING, {
    now: task.now,
    validateSchema,
  });
  if (examination.kind === 'unreadable' || examination.document === null) {
    const findings =
      examination.kind === 'unreadable' ? [examination.finding] : examination.bundleFindings;
    return { ...refused(source, []), findings };
  }
  const { document } = examination;
  const text = task.receivedAt ?? document.createdAt;
  const receivedAt: Instant | null = parseTimestamp(text)?.instant ?? null;
  if (receivedAt === null) {
    const message = `expected an RFC 3339 date-time with offset, found ${text}; use --received-at`;
    return { kind: 'unusable', message };
  }
  const items = convertBundle(examination, document, {
    format: task.to,
    form: task.form,
    attach: task.attach,
    receivedAt,
    hasSite: site !== null,
  });
  const { bundleId } = document;
  return { kind: 'converted', source, bundleId, items, techniqueFindings: [] };
}

/** The record with the values out of the file beside it; without them when there is no such file. */
function withSpectrum(
  decoded: DecodedRecord,
  isOnly: boolean,
  { file, readForm }: ConvertTask,
): DecodedRecord | OpenFault {
  const { record } = decoded;
  if (record.spectrum === null) return decoded;
  const own = safeFileName(record.resultId);
  const stems = isOnly ? [stemOf(file)] : [own, `${own}${HELD_MARK}`];
  for (const stem of stems) {
    const name = `${stem}.spectrum.csv`;
    const bytes = readIfThere(join(dirname(file), name));
    if (bytes === null) continue;
    const text = bytes.length > CSV_BYTES_MAX ? null : utf8(bytes);
    if (text === null) {
      return { at: name, message: `expected UTF-8 of at most ${CSV_BYTES_MAX} bytes` };
    }
    const read = readSpectrumOfRecord(text, record.spectrum, readForm);
    if (!read.ok) return { at: `${name}, ${read.fault.at}`, message: read.fault.message };
    return { record, values: read.values, isExact: true };
  }
  return decoded;
}

function readIfThere(file: string): Buffer | null {
  try {
    return readBounded(file);
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code === 'ENOENT') return null;
    throw error;
  }
}

/** Where a record's own values are not to be had, those that are stand beside it under a name that says so. */
function itemsOfRecord(decoded: DecodedRecord, task: ConvertTask): ConvertedItem[] {
  const { file, to, form } = task;
  const { resultId } = decoded.record;
  const held = stemOf(file).endsWith(HELD_MARK);
  const name = `${safeFileName(resultId)}${held ? HELD_MARK : ''}`;
  const attach = task.attach === null ? null : { format: task.attach, name };
  const own = itemOf(resultId, name, encodeRecord(decoded, to, form, attach), held);
  const items: ConvertedItem[] = [
    { ...own, remarks: [...own.remarks, ...attachmentRemarks(decoded, file)] },
  ];
  const rounded = decoded.isExact || to === 'e1947' ? null : roundedSpectrum(decoded);
  if (rounded !== null) {
    const encoded = encodeOpenSpectrum(rounded, to, form);
    const item = itemOf(resultId, `${name}${ROUNDED_MARK}`, encoded, held);
    items.push({ ...item, exact: false });
  }
  return items;
}

/** What is not as the document says of the files beside it. */
function attachmentRemarks({ attachments = [] }: DecodedRecord, file: string): readonly string[] {
  return attachments.flatMap(({ fileName, sha256 }) => {
    const isPlain = fileName === basename(fileName) && !fileName.includes('\0');
    const bytes = isPlain ? readIfThere(join(dirname(file), fileName)) : null;
    if (bytes === null) return [`the attachment ${fileName} is not beside the document`];
    const found = createHash('sha256').update(bytes).digest('hex');
    if (found === sha256) return [];
    return [`the attachment ${fileName} was changed: expected SHA-256 ${sha256}, found ${found}`];
  });
}

function itemOf(
  resultId: string | null,
  name: string,
  encoded: Encoded,
  held: boolean,
): ConvertedItem {
  const base = { resultId, pointer: '', held, findings: [] };
  return { ...base, ...encodedParts(encoded, name) };
}

function refused(
  source: Source,
  faults: readonly OpenFault[],
): ConvertAnswer & { readonly kind: 'refused' } {
  return { kind: 'refused', source, findings: [], faults, techniqueFindings: [] };
}
