import { type CsvSeparator, headerSeparator, parseCsv } from '../formats/csv.js';
import { parseJsonTexts } from '../formats/json-texts.js';
import { decodeText } from '../formats/text-encoding.js';
import { parseXmlTree } from '../formats/xml-tree.js';
import type { InboundDocument } from '../site/inbound-document.js';
import { inboundSteps } from './inbound-path.js';

/** One record of a source document, as it was read. */
export interface SourceRecord {
  /** Where it stands: `line 3` of a CSV file, `/Delivery/Position[2]` in XML, `/positions/1` in JSON. */
  readonly place: string;
  readonly line: Readonly<Record<string, unknown>>;
  /** The document around it, its own ancestors where they repeat, without the lines. */
  readonly head: Readonly<Record<string, unknown>>;
}

/** What is wrong with a source document, and where. */
export interface InboundFault {
  readonly place: string;
  readonly rule: string;
  /** Found against expected. */
  readonly message: string;
  readonly remedy: string;
}

export type SourceRead =
  | { readonly ok: true; readonly records: readonly SourceRecord[] }
  | { readonly ok: false; readonly faults: readonly InboundFault[] };

export const INBOUND_BYTES_MAX = 16_777_216;
const DEPTH_MAX = 32;
const XML_LIMITS = { bytesMax: INBOUND_BYTES_MAX, depthMax: DEPTH_MAX, nodesMax: 400_000 };
const RECORDS_MAX = 100_000;

/** One line a person can act on. */
export function describeInboundFault({ place, rule, message, remedy }: InboundFault): string {
  return `${place}: ${message} (${rule}). ${remedy}`;
}

/** Records of a document; every value in it is a text, as the source wrote it. */
export function readSource(document: InboundDocument, bytes: Uint8Array): SourceRead {
  if (document.format === 'csv') return readCsv(document, bytes);
  const read = document.format === 'xml' ? readXml(bytes) : readJson(bytes);
  if (!read.ok) return read;
  const path = document.lines;
  const steps = path === null ? [] : (inboundSteps(path) ?? []);
  const found = recordsAt(read.tree, { steps, isXml: document.format === 'xml' });
  if (found.length === 0) {
    return refused(
      'document',
      'no-lines',
      `found nothing at ${path ?? 'the top'}, expected receipt lines`,
      'Correct the document, or the mapping if the source changed its form.',
    );
  }
  if (found.length > RECORDS_MAX) return tooMany(found.length);
  const [text] = found.filter(({ line }) => typeof line !== 'object' || line === null);
  if (text) {
    const message = 'found a text, expected members';
    return refused(text.place, 'line-form', message, 'Correct the document, or the mapping.');
  }
  return { ok: true, records: found as SourceRecord[] };
}

function refused(place: string, rule: string, message: string, remedy: string): SourceRead {
  return { ok: false, faults: [{ place, rule, message, remedy }] };
}

function tooMany(found: number): SourceRead {
  const message = `found ${found} records, expected at most ${RECORDS_MAX}`;
  return refused('document', 'too-many-lines', message, 'Send it in parts.');
}

type TreeRead =
  | { readonly ok: true; readonly tree: unknown }
  | Extract<SourceRead, { readonly ok: false }>;

function readXml(bytes: Uint8Array): TreeRead {
  const read = parseXmlTree(bytes, XML_LIMITS);
  if (read.ok) return read;
  const { at, message } = read.fault;
  return refused(at || 'document', 'xml', message, 'Send well-formed XML in UTF-8.') as TreeRead;
}

function readJson(bytes: Uint8Array): TreeRead {
  const read = parseJsonTexts(bytes, { bytesMax: INBOUND_BYTES_MAX, depthMax: DEPTH_MAX });
  if (read.ok) return { ok: true, tree: read.value };
  const { rule, place, message, remedy } = read.fault;
  const where = `line ${place.line}${place.pointer ? `, ${place.pointer}` : ''}`;
  return refused(where, `json-${rule}`, message, remedy) as TreeRead;
}

interface Found {
  readonly place: string;
  readonly line: unknown;
  readonly head: Readonly<Record<string, unknown>>;
}

function recordsAt(
  tree: unknown,
  to: { readonly steps: readonly string[]; readonly isXml: boolean },
): Found[] {
  const found: Found[] = [];
  const walk = (
    node: unknown,
    index: number,
    place: string,
    around: (inner: Members | null) => Members,
  ): void => {
    if (Array.isArray(node)) {
      for (const [i, item] of node.entries()) {
        walk(item, index, to.isXml ? `${place}[${i + 1}]` : `${place}/${i}`, around);
      }
      return;
    }
    const step = to.steps[index];
    if (step === undefined) {
      found.push({ place: place || 'document', line: node, head: around(null) });
      return;
    }
    if (typeof node !== 'object' || node === null || !Object.hasOwn(node, step)) return;
    const { [step]: child, ...others } = node as Members;
    walk(child, index + 1, `${place}/${step}`, (inner) =>
      around(inner === null ? members(others) : members({ ...others, [step]: inner })),
    );
  };
  walk(tree, 0, '', (inner) => inner ?? members({}));
  return found;
}

type Members = Readonly<Record<string, unknown>>;

function members(of: Members): Members {
  return Object.assign(Object.create(null) as Record<string, unknown>, of);
}

function readCsv(document: InboundDocument, bytes: Uint8Array): SourceRead {
  if (bytes.byteLength > INBOUND_BYTES_MAX) {
    const message = `found ${bytes.byteLength} bytes, expected at most ${INBOUND_BYTES_MAX}`;
    return refused('document', 'size', message, 'Send it in parts.');
  }
  const decoded = decodeText(bytes);
  if (!decoded.ok) {
    const message = `found ${decoded.found}, expected UTF-8`;
    return refused('line 1', 'encoding', message, 'Save the file as UTF-8.');
  }
  const separator: CsvSeparator = document.separator ?? headerSeparator(decoded.text);
  const parsed = parseCsv(decoded.text, { separator, rowsMax: RECORDS_MAX + 1 });
  if (!parsed.ok) {
    const remedy = 'Write the file as RFC 4180 CSV in UTF-8.';
    return {
      ok: false,
      faults: parsed.faults.map(({ line, message }) => ({
        place: `line ${line}`,
        rule: 'csv',
        message,
        remedy,
      })),
    };
  }
  const [header, ...rows] = parsed.rows.filter((row) => row.cells.some((c) => c.trim() !== ''));
  if (header === undefined || rows.length === 0) {
    const message = `found ${header === undefined ? 'no line' : 'a header and no line below it'}`;
    return refused('document', 'no-lines', message, 'Write a header line and the lines below it.');
  }
  const names = header.cells.map((cell) => cell.trim());
  const [twice] = names.filter((name, index) => names.indexOf(name) !== index);
  if (twice !== undefined) {
    const message = `column "${twice}" stands twice`;
    return refused(`line ${header.line}`, 'column-twice', message, 'Drop one of the two.');
  }
  return asRecords(names, rows, separator);
}

function asRecords(
  names: readonly string[],
  rows: readonly { readonly line: number; readonly cells: readonly string[] }[],
  separator: string,
): SourceRead {
  const faults = rows
    .filter((row) => row.cells.length !== names.length)
    .map((row) => ({
      place: `line ${row.line}`,
      rule: 'cell-count',
      message: `found ${row.cells.length} cells, expected ${names.length}`,
      remedy: `Quote cells that hold the separator, which is ${JSON.stringify(separator)}.`,
    }));
  if (faults.length > 0) return { ok: false, faults };
  const head = members({});
  return {
    ok: true,
    records: rows.map((row) => ({
      place: `line ${row.line}`,
      line: members(Object.fromEntries(names.map((name, i) => [name, row.cells[i] ?? '']))),
      head,
    })),
  };
}
