import { canonicalDigest, type Sha256 } from '../formats/canonical-json.js';
import { readCodeTable } from './code-table.js';
import {
  type CodeTable,
  type Description,
  type FieldMapping,
  type HeldList,
  type MappingDocument,
  MESSAGE_NAMES,
  type MessageMapping,
  type MessageName,
  type ReadBack,
} from './mapping-document.js';
import { type SchemaCheck, schemaFaults } from './schema-faults.js';
import type { DocumentPath, RuleFault, SiteFault } from './site-fault.js';
import { placed, readYaml, type YamlSource } from './yaml-source.js';

/** A mapping that was read: the document, where its parts stand, and the files it consists of. */
export interface MappingSource {
  readonly destination: string;
  readonly document: MappingDocument;
  readonly source: YamlSource;
  /** Fields that carry an open review mark: path of the field and what is to be looked at. */
  readonly reviews: readonly { readonly path: DocumentPath; readonly text: string }[];
  /** Name to text of the mapping file, its tables and its contracts: all that the mapping stands on. */
  readonly content: Readonly<Record<string, string>>;
  /** SHA-256 over `content`. */
  readonly digest: Sha256;
}

export type MappingRead =
  | { readonly ok: true; readonly mapping: MappingSource }
  | { readonly ok: false; readonly faults: readonly SiteFault[] };

export const MAPPING_SUFFIX = '.mapping.yaml';

/** The file as it is written, defaults not yet filled in. */
interface MappingFile {
  readonly destination: string;
  readonly format: 'json' | 'xml';
  readonly permits: MappingDocument['permits'];
  readonly tables: Readonly<Record<string, { readonly rows?: CodeTable; readonly file?: string }>>;
  readonly messages: Readonly<Partial<Record<MessageName, MessageEntry>>>;
  readonly list?: ListEntry | null;
  readonly describe?: Optional<Description, 'canary'> | null;
}

type Optional<T, K extends keyof T> = Omit<T, K> & Partial<Pick<T, K>>;
type FieldEntry = Optional<FieldMapping, 'required' | 'identifier' | 'as'> & {
  readonly review?: string;
};

type ListEntry = Optional<
  HeldList,
  'next' | 'number' | 'at' | 'message' | 'receipt' | 'result' | 'period' | 'revision'
>;

interface MessageEntry {
  readonly request: MessageMapping['request'];
  readonly contract?: string | null;
  readonly fields: readonly FieldEntry[];
  readonly answer: {
    readonly echo: MessageMapping['answer']['echo'];
    readonly reference?: string | null;
  };
  readonly readBack: Optional<ReadBack, 'applied' | 'revision' | 'absentStatus'> | null;
}

/**
 * Reads `<destination>.mapping.yaml` out of a set of files by name, with the code tables and contracts it
 * names. Pure, so that an activated revision is read from the store exactly as it was from the folder.
 */
export function readMapping(
  files: Readonly<Record<string, string>>,
  destination: string,
  check: SchemaCheck,
): MappingRead {
  const file = `${destination}${MAPPING_SUFFIX}`;
  const text = textOf(files, file);
  if (text === undefined) throw new Error(`no file ${file} among the files given`);
  const read = readYaml(file, text);
  if (!read.ok) return read;
  const { source } = read;
  const errors = schemaFaults(check(source.value));
  if (errors.length > 0) return { ok: false, faults: errors.map((fault) => placed(source, fault)) };
  const entry = source.value as MappingFile;
  const faults: SiteFault[] = [];
  if (entry.destination !== destination) {
    faults.push(
      placed(source, {
        path: ['destination'],
        rule: 'mapping-of-other-destination',
        message: `the file is named for ${destination} and maps for ${entry.destination}`,
        remedy: 'Rename the file, or correct the destination.',
      }),
    );
  }
  const content: Record<string, string> = { [file]: text };
  const tables = readTables(entry.tables, files, source, content, faults);
  for (const fault of contractFaults(entry, files, content)) faults.push(placed(source, fault));
  if (faults.length > 0) return { ok: false, faults };
  const document: MappingDocument = {
    destination,
    format: entry.format,
    permits: entry.permits,
    tables,
    messages: Object.fromEntries(messagesOf(entry).map(([name, m]) => [name, withDefaults(m)])),
    list: entry.list ? listWithDefaults(entry.list) : null,
    describe: entry.describe ? { ...entry.describe, canary: entry.describe.canary ?? null } : null,
  };
  return {
    ok: true,
    mapping: {
      destination,
      document,
      source,
      reviews: reviewsOf(entry),
      content,
      digest: canonicalDigest(content),
    },
  };
}

function messagesOf(entry: MappingFile): [MessageName, MessageEntry][] {
  return MESSAGE_NAMES.flatMap((name): [MessageName, MessageEntry][] => {
    const message = entry.messages[name];
    return message ? [[name, message]] : [];
  });
}

/** Code tables of a mapping, by name; the files they come from are added to its content. */
export function readTables(
  entries: MappingFile['tables'],
  files: Readonly<Record<string, string>>,
  source: YamlSource,
  content: Record<string, string>,
  faults: SiteFault[],
): Record<string, CodeTable> {
  const tables = Object.create(null) as Record<string, CodeTable>;
  for (const [name, table] of Object.entries(entries)) {
    if (table.file === undefined) {
      tables[name] = Object.assign(Object.create(null) as Record<string, string>, table.rows);
      continue;
    }
    const text = textOf(files, table.file);
    if (text === undefined) {
      faults.push(placed(source, missingFile(['tables', name, 'file'], table.file)));
      continue;
    }
    content[table.file] = text;
    const read = readCodeTable(text);
    if (read.ok) tables[name] = read.table;
    else {
      const { line, message, remedy } = read;
      faults.push({ file: table.file, line, column: 1, rule: 'code-table', message, remedy });
    }
  }
  return tables;
}

function contractFaults(
  entry: MappingFile,
  files: Readonly<Record<string, string>>,
  content: Record<string, string>,
): RuleFault[] {
  return messagesOf(entry).flatMap(([name, message]): RuleFault[] => {
    if (message.contract === undefined || message.contract === null) return [];
    const text = textOf(files, message.contract);
    if (text === undefined) return [missingFile(['messages', name, 'contract'], message.contract)];
    content[message.contract] = text;
    return [];
  });
}

function textOf(files: Readonly<Record<string, string>>, name: string): string | undefined {
  return Object.hasOwn(files, name) ? files[name] : undefined;
}

function missingFile(path: DocumentPath, name: string): RuleFault {
  return {
    path,
    rule: 'unknown-file',
    message: `there is no file ${name} in the site folder`,
    remedy: 'Add the file, or correct its name.',
  };
}

function withDefaults(entry: MessageEntry): MessageMapping {
  const { readBack } = entry;
  return {
    request: entry.request,
    contract: entry.contract ?? null,
    fields: entry.fields.map(({ review: _review, ...field }) => ({
      ...field,
      required: field.required ?? true,
      identifier: field.identifier ?? false,
      as: field.as ?? 'text',
    })),
    answer: { echo: entry.answer.echo, reference: entry.answer.reference ?? null },
    readBack: readBack && {
      ...readBack,
      applied: readBack.applied ?? null,
      revision: readBack.revision ?? null,
      absentStatus: readBack.absentStatus ?? null,
    },
  };
}

function listWithDefaults(entry: ListEntry): HeldList {
  return {
    ...entry,
    next: entry.next ?? null,
    number: entry.number ?? null,
    at: entry.at ?? null,
    message: entry.message ?? null,
    receipt: entry.receipt ?? null,
    result: entry.result ?? null,
    period: entry.period ?? null,
    revision: entry.revision ?? null,
  };
}

function reviewsOf(entry: MappingFile): MappingSource['reviews'] {
  return messagesOf(entry).flatMap(([name, message]) =>
    message.fields.flatMap((field, index) =>
      field.review === undefined
        ? []
        : [{ path: ['messages', name, 'fields', index, 'review'], text: field.review }],
    ),
  );
}
