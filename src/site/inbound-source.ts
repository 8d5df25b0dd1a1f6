import { canonicalDigest, type Sha256 } from '../formats/canonical-json.js';
import {
  INBOUND_CHANGES,
  type InboundChange,
  type InboundDocument,
  type InboundField,
  type InboundMessage,
} from './inbound-document.js';
import type { CodeTable } from './mapping-document.js';
import { readTables } from './mapping-source.js';
import { type SchemaCheck, schemaFaults } from './schema-faults.js';
import type { SiteFault } from './site-fault.js';
import { placed, readYaml, type YamlSource } from './yaml-source.js';

/** An inbound mapping that was read: the document, where its parts stand, and the files it consists of. */
export interface InboundSource {
  readonly source: string;
  readonly document: InboundDocument;
  readonly yaml: YamlSource;
  /** Name to text of the mapping file and its tables: all that the mapping stands on. */
  readonly content: Readonly<Record<string, string>>;
  /** SHA-256 over `content`. */
  readonly digest: Sha256;
}

export type InboundRead =
  | { readonly ok: true; readonly inbound: InboundSource }
  | { readonly ok: false; readonly faults: readonly SiteFault[] };

export const INBOUND_SUFFIX = '.inbound.yaml';

type FieldEntry = Omit<InboundField, 'required'> & { readonly required?: boolean };

interface MessageEntry {
  readonly fields: readonly FieldEntry[];
  readonly parts?: { readonly each: string; readonly fields: readonly FieldEntry[] };
}

/** The file as it is written, defaults not yet filled in. */
interface InboundFile {
  readonly source: string;
  readonly title: string;
  readonly format: InboundDocument['format'];
  readonly separator?: ',' | ';' | 'tab';
  readonly lines?: string;
  readonly groupBy?: string;
  readonly change?: InboundDocument['change'];
  readonly ignored?: readonly string[];
  readonly tables?: Readonly<Record<string, { readonly rows?: CodeTable; readonly file?: string }>>;
  readonly messages: Readonly<Partial<Record<InboundChange, MessageEntry>>>;
}

/**
 * Reads `<source>.inbound.yaml` out of a set of files by name, with the code tables it names. Pure, so that an
 * activated revision is read from the store exactly as it was from the folder.
 */
export function readInbound(
  files: Readonly<Record<string, string>>,
  name: string,
  check: SchemaCheck,
): InboundRead {
  const file = `${name}${INBOUND_SUFFIX}`;
  const text = Object.hasOwn(files, file) ? files[file] : undefined;
  if (text === undefined) throw new Error(`no file ${file} among the files given`);
  const read = readYaml(file, text);
  if (!read.ok) return read;
  const yaml = read.source;
  const errors = schemaFaults(check(yaml.value));
  if (errors.length > 0) return { ok: false, faults: errors.map((fault) => placed(yaml, fault)) };
  const entry = yaml.value as InboundFile;
  const faults: SiteFault[] = [];
  if (entry.source !== name) {
    faults.push(
      placed(yaml, {
        path: ['source'],
        rule: 'inbound-of-other-source',
        message: `the file is named for ${name} and maps for ${entry.source}`,
        remedy: 'Rename the file, or correct the source.',
      }),
    );
  }
  const content: Record<string, string> = { [file]: text };
  const tables = readTables(entry.tables ?? {}, files, yaml, content, faults);
  if (faults.length > 0) return { ok: false, faults };
  const document = withDefaults(entry, tables);
  const digest = canonicalDigest(content);
  return { ok: true, inbound: { source: name, document, yaml, content, digest } };
}

function withDefaults(
  entry: InboundFile,
  tables: Readonly<Record<string, CodeTable>>,
): InboundDocument {
  return {
    source: entry.source,
    title: entry.title,
    format: entry.format,
    separator: entry.separator === 'tab' ? '\t' : (entry.separator ?? null),
    lines: entry.lines ?? null,
    groupBy: entry.groupBy ?? null,
    change: entry.change ?? null,
    ignored: entry.ignored ?? [],
    tables,
    messages: Object.fromEntries(
      INBOUND_CHANGES.flatMap((name): [InboundChange, InboundMessage][] => {
        const message = entry.messages[name];
        return message ? [[name, messageWithDefaults(message)]] : [];
      }),
    ),
  };
}

function messageWithDefaults({ fields, parts }: MessageEntry): InboundMessage {
  const filled = (entries: readonly FieldEntry[]) =>
    entries.map((field) => ({ ...field, required: field.required ?? true }));
  return {
    fields: filled(fields),
    parts: parts ? { each: parts.each, fields: filled(parts.fields) } : null,
  };
}
