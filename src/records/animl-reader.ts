import { createHash } from 'node:crypto';
import type { SpectrumSummary, SpectrumValues } from '../checks/spectrum-values.js';
import { isDecimal } from '../formats/decimal.js';
import { decodeFloats, type FloatValues, littleEndianBytes } from '../formats/float-array.js';
import { parseXmlTree, XML_LIMITS, type XmlLimits } from '../formats/xml-tree.js';
import { type AnimlAttachment, attachmentsOf, isAttachmentStep } from './animl-attachments.js';
import type { AnimlFinding } from './animl-finding.js';
import { type AnimlPlace, categoriesOf, NAMES, RESULT_NAMES, VALUE_FORMS } from './animl-layout.js';
import { type AnimlNode, animlRoot, childrenOf } from './animl-nodes.js';
import { animlFindings } from './animl-rules.js';
import { packedBase64 } from './animl-series.js';
import { ANIML_NAMESPACE, ANIML_VERSION } from './animl-writer.js';
import { assembleRecord, type RecordLists } from './assemble-record.js';
import { heldText } from './held-text.js';
import type { FieldKind } from './record-fields.js';
import type { ResultRecord } from './result-record.js';

export interface AnimlContent {
  readonly record: ResultRecord;
  /** null when the document describes the spectrum without carrying it, or there is none. */
  readonly values: SpectrumValues | null;
  /** Files that the document says stand beside it; whether they do is not looked at here. */
  readonly attachments: readonly AnimlAttachment[];
}

export interface AnimlFault {
  /** Element path, e.g. `/AnIML/ExperimentStepSet/ExperimentStep/Method`; '' is the whole document. */
  readonly path: string;
  /** Found against expected. */
  readonly message: string;
}

export type AnimlRead =
  | { readonly ok: true; readonly content: AnimlContent }
  | { readonly ok: false; readonly faults: readonly AnimlFault[] };

/** 20 000 points of two float64 series are 430 kB of base64. */
export const ANIML_LIMITS: XmlLimits = { ...XML_LIMITS, bytesMax: 16_777_216 };

class Refusal extends Error {
  constructor(readonly faults: readonly AnimlFault[]) {
    super('the document is not one of ours');
  }
}

/**
 * Reads a document that `writeAniml` wrote back into the record and the spectrum values: the same texts,
 * digits and bits. Refused, as a value with every fault's element path: XML that is not read
 * (`parseXmlTree`), another root or version, a break of one of the rules of `animl-rules.ts`, a parameter
 * that is missing, doubled, of another type or outside its vocabulary, and spectrum values whose digest is
 * not the recorded one.
 */
export function readAniml(bytes: Uint8Array, limits: XmlLimits = ANIML_LIMITS): AnimlRead {
  try {
    return { ok: true, content: readOrThrow(bytes, limits) };
  } catch (error) {
    if (error instanceof Refusal) return { ok: false, faults: error.faults };
    throw error;
  }
}

function readOrThrow(bytes: Uint8Array, limits: XmlLimits): AnimlContent {
  const parsed = parseXmlTree(bytes, limits);
  if (!parsed.ok) throw refusal(parsed.fault.at, parsed.fault.message);
  const root = animlRoot(parsed.tree);
  if (root === null || root.name !== 'AnIML') throw refusal('', 'expected the root element AnIML');
  expectAttribute(root, 'xmlns', ANIML_NAMESPACE);
  expectAttribute(root, 'version', ANIML_VERSION);
  const findings = animlFindings(parsed.tree);
  if (findings.length > 0) throw new Refusal(findings.map(faultOfFinding));
  const sample = only(only(root, 'SampleSet'), 'Sample');
  const { step, attachments } = stepsOf(only(root, 'ExperimentStepSet'));
  const results = new Map(
    Object.entries(RESULT_NAMES).map(([place, name]) => [place, named(step, 'Result', name)]),
  );
  const places: Readonly<Record<AnimlPlace, AnimlNode | null>> = {
    sample,
    method: only(step, 'Method'),
    spectrum: results.get('spectrum') ?? null,
    identity: results.get('identity') ?? null,
    provenance: results.get('provenance') ?? null,
  };
  const record = readRecord(places, step);
  return { record, values: readValues(record, places.spectrum), attachments };
}

function stepsOf(set: AnimlNode): {
  readonly step: AnimlNode;
  readonly attachments: readonly AnimlAttachment[];
} {
  const steps = childrenOf(set, 'ExperimentStep');
  const [step, ...more] = steps.filter((one) => !isAttachmentStep(one));
  if (step === undefined || more.length > 0) {
    throw refusal(set.path, `expected one ExperimentStep, found ${steps.length}`);
  }
  const attachments = steps.filter(isAttachmentStep).flatMap((one) => {
    const found = attachmentsOf(one);
    if (typeof found === 'string') throw refusal(one.path, found);
    return found;
  });
  return { step, attachments };
}

function readRecord(
  places: Readonly<Record<AnimlPlace, AnimlNode | null>>,
  step: AnimlNode,
): ResultRecord {
  const texts = new Map<string, string>();
  const paths = new Map<string, string>();
  for (const [place, node] of Object.entries(places) as [AnimlPlace, AnimlNode | null][]) {
    for (const category of categoriesOf(place)) {
      const held = node === null ? null : named(node, 'Category', category.name);
      for (const field of category.fields) {
        const parameter = held === null ? null : named(held, 'Parameter', field.parameter);
        paths.set(field.at, `${held?.path ?? node?.path ?? step.path}[${field.parameter}]`);
        if (parameter !== null) texts.set(field.at, parameterText(parameter, field.kind));
      }
    }
  }
  const lists = readLists(places.identity);
  const assembled = assembleRecord(texts, lists);
  if (assembled.ok) return assembled.record;
  throw new Refusal(
    assembled.faults.map(({ at, message }) => ({ path: paths.get(at) ?? '', message })),
  );
}

function readLists(identity: AnimlNode | null): RecordLists {
  const items = (list: string, item: string): readonly AnimlNode[] => {
    const category = identity === null ? null : named(identity, 'Category', list);
    return category === null
      ? []
      : childrenOf(category, 'Category').filter((c) => nameOf(c) === item);
  };
  const findings = identity === null ? null : named(identity, 'Category', NAMES.findings);
  return {
    candidates: items(NAMES.candidates, NAMES.candidate).map(readCandidate),
    remarks: items(NAMES.remarks, NAMES.remark).map((remark) => ({
      name: requiredText(remark, NAMES.remarkName, 'text'),
      text: requiredText(remark, NAMES.remarkText, 'text'),
    })),
    findings:
      findings === null
        ? []
        : childrenOf(findings, 'Parameter').map((code) => parameterText(code, 'text')),
  };
}

function readCandidate(candidate: AnimlNode, index: number): RecordLists['candidates'][number] {
  const rank = requiredText(candidate, NAMES.candidateRank, 'integer');
  if (rank !== String(index + 1)) {
    throw refusal(candidate.path, `expected rank ${index + 1}, found ${rank}`);
  }
  const score = requiredText(candidate, NAMES.candidateScore, 'decimal');
  if (!isDecimal(score)) throw refusal(candidate.path, `expected a decimal score, found ${score}`);
  return { material: requiredText(candidate, NAMES.candidateMaterial, 'text'), score };
}

function requiredText(category: AnimlNode, name: string, kind: FieldKind): string {
  const parameter = named(category, 'Parameter', name);
  if (parameter === null) throw refusal(category.path, `expected a parameter ${name}, found none`);
  return parameterText(parameter, kind);
}

function parameterText(parameter: AnimlNode, kind: FieldKind): string {
  const form = VALUE_FORMS[kind];
  expectAttribute(parameter, 'parameterType', form.type);
  const held = only(parameter, form.element).text;
  const text = form.element === 'S' ? heldText(held) : held;
  if (text === null) throw refusal(parameter.path, 'expected a JSON string after json:');
  return text;
}

function readValues(record: ResultRecord, spectrum: AnimlNode | null): SpectrumValues | null {
  const summary = record.spectrum;
  if (spectrum === null || summary === null) return null;
  const [set] = childrenOf(spectrum, 'SeriesSet');
  if (set === undefined) return null;
  const shift = requiredSeries(set, NAMES.shift);
  const even = readEven(shift);
  const points = Number(set.attributes.get('length'));
  // First, because it bounds the number of points by the size of the document.
  const intensity = encodedValues(requiredSeries(set, NAMES.intensity), points);
  const axis = even === null ? encodedValues(shift, points) : evenAxis(even, points);
  const found = createHash('sha256').update(float64Bytes(axis)).update(float64Bytes(intensity));
  const digest = found.digest('hex');
  if (digest !== summary.sha256) {
    throw refusal(set.path, `expected values with SHA-256 ${summary.sha256}, found ${digest}`);
  }
  refuseOtherSummary(set, summary, { axis, intensity, even });
  return { axis, intensity, even, intensityUnit: summary.intensityUnit };
}

/** The digest is over the numbers alone: how many there are and how wide is said in two places. */
function refuseOtherSummary(
  set: AnimlNode,
  summary: SpectrumSummary,
  { axis, intensity, even }: Pick<SpectrumValues, 'axis' | 'intensity' | 'even'>,
): void {
  const widthOf = (values: FloatValues) =>
    values instanceof Float32Array ? ('float32' as const) : ('float64' as const);
  const found = [axis.length, even === null ? widthOf(axis) : 'even', widthOf(intensity)];
  const expected = [summary.points, summary.axisWidth, summary.intensityWidth];
  if (found.join() === expected.join()) return;
  throw refusal(
    set.path,
    `expected ${expected.join(', ')} (points, axis, intensity), found ${found.join(', ')}`,
  );
}

function requiredSeries(set: AnimlNode, name: string): AnimlNode {
  const series = named(set, 'Series', name);
  if (series === null) throw refusal(set.path, `expected a series ${name}, found none`);
  return series;
}

function readEven(series: AnimlNode): SpectrumValues['even'] {
  const [set] = childrenOf(series, 'AutoIncrementedValueSet');
  if (set === undefined) return null;
  const start = only(only(set, 'StartValue'), 'D').text;
  const step = only(only(set, 'Increment'), 'D').text;
  if (!isDecimal(start) || !isDecimal(step)) {
    throw refusal(set.path, `expected decimals, found ${start} and ${step}`);
  }
  return { start, step };
}

/** Value i is start + i × step by one multiplication, never by adding up. */
function evenAxis(even: NonNullable<SpectrumValues['even']>, points: number): Float64Array {
  const start = Number(even.start);
  const step = Number(even.step);
  return Float64Array.from({ length: points }, (_, index) => start + index * step);
}

function encodedValues(series: AnimlNode, points: number): FloatValues {
  const set = only(series, 'EncodedValueSet');
  const width = series.attributes.get('seriesType') === 'Float32' ? 'float32' : 'float64';
  const decoded = decodeFloats(packedBase64(set.text), width, points);
  if (!decoded.ok) throw refusal(set.path, decoded.message);
  return decoded.values;
}

function float64Bytes(values: FloatValues): Buffer {
  return littleEndianBytes(values instanceof Float64Array ? values : Float64Array.from(values));
}

function only(node: AnimlNode, name: string): AnimlNode {
  const found = childrenOf(node, name);
  const [first] = found;
  if (first === undefined || found.length > 1) {
    throw refusal(node.path, `expected one ${name}, found ${found.length}`);
  }
  return first;
}

/** The child of that element and `name` attribute; null when there is none, refused when doubled. */
function named(node: AnimlNode, element: string, name: string): AnimlNode | null {
  const found = childrenOf(node, element).filter((child) => nameOf(child) === name);
  if (found.length > 1) {
    throw refusal(node.path, `expected one ${element} ${name}, found ${found.length}`);
  }
  return found[0] ?? null;
}

function nameOf(node: AnimlNode): string {
  return node.attributes.get('name') ?? '';
}

function expectAttribute(node: AnimlNode, name: string, value: string): void {
  const found = node.attributes.get(name);
  if (found !== value) {
    throw refusal(`${node.path}/@${name}`, `expected ${value}, found ${found ?? 'none'}`);
  }
}

function faultOfFinding(finding: AnimlFinding): AnimlFault {
  return { path: finding.path, message: finding.message };
}

function refusal(path: string, message: string): Refusal {
  return new Refusal([{ path, message }]);
}
