import type { ReceiptLine } from '../receipts/expectation-line.js';
import { type ChangeBody, readChangeJson, readReceiptJson } from '../receipts/receipt-json.js';
import type {
  InboundChange,
  InboundDocument,
  InboundField,
  InboundMessage,
} from '../site/inbound-document.js';
import { receiptChangeSchema, receiptSchema } from '../site/schemas.files.js';
import type { ExpressionPool } from './expression.pool.js';
import {
  type InboundBody,
  type InboundValues,
  inboundBody,
  type PartBody,
  readSequence,
} from './inbound-body.js';
import {
  changeOf,
  failed,
  fieldsOf,
  groups,
  isExpression,
  mergeValues,
  placeOf,
  twiceFaults,
  unknownMembers,
} from './inbound-groups.js';
import { type InboundFault, readSource, type SourceRecord } from './inbound-lines.js';
import { compileInboundPath } from './inbound-path.js';
import { INBOUND_TARGETS, type InboundTarget, PART_TARGETS } from './inbound-targets.js';
import { type ExpressionValue, inboundValue } from './inbound-values.js';

/** What one receipt line of a document asks for, in the form of the API. */
export interface InboundRequest {
  readonly place: string;
  readonly receiptId: string;
  readonly change: InboundChange;
  /** Of the source's own counting, in plain digits; null when it counts none. */
  readonly sequence: string | null;
  /** As `schemas/receipt-expectation.schema.json`, or `receipt-change` for anything but an announcement. */
  readonly body: InboundBody;
  /** The same, read and found right. */
  readonly asked: InboundAsked;
}

export type InboundAsked =
  | { readonly kind: 'line'; readonly line: ReceiptLine }
  | { readonly kind: 'change'; readonly body: ChangeBody };

export type InboundMapped =
  | { readonly ok: true; readonly requests: readonly InboundRequest[] }
  | { readonly ok: false; readonly faults: readonly InboundFault[] };

const REQUESTS_MAX = 5_000;
/** Each record with expressions is a unit of work of its own. */
const COMPUTED_MAX = 2_000;
const FAULTS_MAX = 200;

/** Where what is mapped comes from and what it is mapped by. */
interface Mapping {
  readonly document: InboundDocument;
  readonly timeZone: string;
  readonly pool: ExpressionPool;
}

/**
 * What a source document asks for, line by line: all of it or its faults, each with its place. The same bytes and
 * mapping give the same requests, on every machine and at every time.
 */
export async function mapInbound(mapping: Mapping, bytes: Uint8Array): Promise<InboundMapped> {
  const { document } = mapping;
  const source = readSource(document, bytes);
  if (!source.ok) return source;
  const strange = unknownMembers(document, source.records);
  if (strange.length > 0) return { ok: false, faults: strange };
  const grouped = groups(document, source.records);
  if (!grouped.ok) return grouped;
  if (grouped.groups.length > REQUESTS_MAX) {
    const message = `found ${grouped.groups.length} receipt lines, expected at most ${REQUESTS_MAX}`;
    return failed('document', 'too-many-lines', message, 'Send it in parts.');
  }
  if (usesExpressions(document) && source.records.length > COMPUTED_MAX) {
    const message = `found ${source.records.length} records, expected at most ${COMPUTED_MAX} where the mapping computes`;
    return failed('document', 'too-many-lines', message, 'Send it in parts, or map paths only.');
  }
  const requests: InboundRequest[] = [];
  const faults: InboundFault[] = [];
  for (const records of grouped.groups) {
    const read = await mapGroup(mapping, records);
    if (read.ok) requests.push(...read.requests);
    else faults.push(...read.faults);
    if (faults.length >= FAULTS_MAX) break;
  }
  faults.push(...twiceFaults(requests));
  return faults.length > 0 ? { ok: false, faults } : { ok: true, requests };
}

function usesExpressions(document: InboundDocument): boolean {
  return fieldsOf(document).some(({ from }) => isExpression(from));
}

async function mapGroup(
  mapping: Mapping,
  records: readonly SourceRecord[],
): Promise<InboundMapped> {
  const changes = new Set<string>();
  for (const record of records) {
    const change = changeOf(mapping.document, record);
    if (!change.ok) return change;
    changes.add(change.name);
  }
  const [name, other] = [...changes];
  const place = placeOf(records);
  if (other !== undefined) {
    const message = `the lines of one receipt ask for ${name} and for ${other}`;
    return failed(place, 'lines-differ', message, 'Send them as documents of their own.');
  }
  const message = mapping.document.messages[name as InboundChange];
  if (message === undefined) throw new Error(`the mapping has no message ${name}`);
  return mapMessage(mapping, name as InboundChange, message, records);
}

async function mapMessage(
  mapping: Mapping,
  change: InboundChange,
  message: InboundMessage,
  records: readonly SourceRecord[],
): Promise<InboundMapped> {
  const faults: InboundFault[] = [];
  const values: InboundValues[] = [];
  const parts: PartBody[] = [];
  for (const record of records) {
    const subject = { line: record.line, head: record.head };
    const place = record.place;
    const of = { fields: message.fields, targets: INBOUND_TARGETS[change], place };
    const read = await readFields(mapping, of, subject);
    faults.push(...read.faults);
    values.push(read.values);
    if (message.parts === null) continue;
    const each = compileInboundPath(message.parts.each)?.(subject);
    for (const [i, part] of (Array.isArray(each)
      ? each
      : each === undefined
        ? []
        : [each]
    ).entries()) {
      const ofPart = {
        fields: message.parts.fields,
        targets: PART_TARGETS,
        place: `${place}, part ${i + 1}`,
      };
      const found = await readFields(mapping, ofPart, { ...subject, part });
      faults.push(...found.faults);
      parts.push(Object.fromEntries(found.values) as PartBody);
    }
  }
  const place = placeOf(records);
  const merged = mergeValues(values, place);
  faults.push(...merged.faults);
  const sequence = readSequence(merged.values.get('sequence'), place);
  if (!sequence.ok) faults.push(sequence.fault);
  if (faults.length > 0 || !sequence.ok) return { ok: false, faults };
  const { receiptId, body } = inboundBody(change, merged.values, parts);
  const asked = readAsked(change, receiptId, body);
  if (!asked.ok) {
    const remedy = 'Correct the document, or the mapping.';
    return {
      ok: false,
      faults: asked.faults.map((message) => ({ place, rule: 'line-invalid', message, remedy })),
    };
  }
  const { value } = asked;
  const request = { place, receiptId, change, sequence: sequence.value, body, asked: value };
  return { ok: true, requests: [request] };
}

type AskedRead =
  | { readonly ok: true; readonly value: InboundAsked }
  | { readonly ok: false; readonly faults: readonly string[] };

function readAsked(change: InboundChange, receiptId: string, body: InboundBody): AskedRead {
  if (change === 'announce') {
    const read = readReceiptJson(receiptId, body, receiptSchema());
    return read.ok ? { ok: true, value: { kind: 'line', line: read.value } } : read;
  }
  const read = readChangeJson(change, body, receiptChangeSchema());
  return read.ok ? { ok: true, value: { kind: 'change', body: read.value } } : read;
}

interface FieldsRead {
  readonly values: InboundValues;
  readonly faults: readonly InboundFault[];
}

async function readFields(
  { document, timeZone, pool }: Mapping,
  of: {
    readonly fields: readonly InboundField[];
    readonly targets: Readonly<Record<string, InboundTarget>>;
    readonly place: string;
  },
  subject: unknown,
): Promise<FieldsRead> {
  const values = new Map<string, string | readonly string[]>();
  const faults: InboundFault[] = [];
  const expressions = await evaluate(of.fields, subject, pool);
  for (const [index, field] of of.fields.entries()) {
    const target = of.targets[field.to];
    if (target === undefined) throw new Error(`the rules let ${field.to} pass`);
    const expression = expressions.get(index) ?? null;
    const value = inboundValue(field, target, { subject, expression, document, timeZone });
    if (!value.ok) {
      const from = field.from ?? field.join?.of.join(' and ') ?? 'a constant';
      const place = `${of.place}, ${field.to} (from ${from})`;
      faults.push({ place, rule: value.code, message: value.detail, remedy: value.remedy });
    } else if (value.value !== undefined) values.set(field.to, value.value);
  }
  return { values, faults };
}

async function evaluate(
  fields: readonly InboundField[],
  subject: unknown,
  pool: ExpressionPool,
): Promise<ReadonlyMap<number, ExpressionValue>> {
  const computed = fields.flatMap(({ from }, index) =>
    isExpression(from) ? [{ index, from }] : [],
  );
  if (computed.length === 0) return new Map();
  const texts = computed.map(({ from }) => from);
  const results = await pool.evaluate(texts, JSON.stringify(subject));
  return new Map(
    computed.map(({ index }, position): [number, ExpressionValue] => {
      const result = results[position];
      if (result?.ok === true) {
        const value = result.json === null ? undefined : (JSON.parse(result.json) as unknown);
        return [index, { ok: true, value }];
      }
      const { code, detail } = result ?? { code: 'expression-failed', detail: 'no result' };
      const remedy = 'Correct the expression in the mapping, or the document.';
      return [index, { ok: false, refusal: { ok: false, code, detail, remedy } }];
    }),
  );
}
