import {
  isWavenumber,
  type OpenFault,
  type OpenRead,
  type OpenSpectrum,
  spectrumFault,
} from '../formats/open-spectrum.js';
import { parseXmlTree, type XmlLimits } from '../formats/xml-tree.js';
import type { AnimlFinding } from './animl-finding.js';
import { type AnimlNode, animlRoot, childrenOf, token } from './animl-nodes.js';
import { ANIML_LIMITS } from './animl-reader.js';
import { animlFindings, VALUE_ELEMENT } from './animl-rules.js';
import { packedBase64 } from './animl-series.js';
import { ANIML_NAMESPACE, ANIML_VERSION } from './animl-writer.js';
import { heldText } from './held-text.js';
import { NOTES } from './open-animl.js';

/** Any AnIML core 0.90 document, as far as samples, steps, parameters and series go. */
export interface AnimlDocument {
  readonly samples: readonly { readonly id: string; readonly name: string }[];
  readonly steps: readonly AnimlStep[];
  /** Breaks of the rules that the schema means and does not check; they keep nobody from reading. */
  readonly findings: readonly AnimlFinding[];
}

export interface AnimlStep {
  readonly id: string;
  readonly name: string;
  readonly technique: string | null;
  /** As the document has it. */
  readonly timestamp: string | null;
  readonly sampleIds: readonly string[];
  readonly parameters: readonly AnimlParameter[];
  readonly sets: readonly AnimlSeriesSet[];
}

export interface AnimlParameter {
  /** Names of the categories around it and its own, joined by ` / `. */
  readonly name: string;
  readonly text: string;
  readonly unit: string | null;
}

export interface AnimlSeriesSet {
  readonly name: string;
  readonly path: string;
  readonly series: readonly AnimlSeries[];
}

export interface AnimlSeries {
  readonly name: string;
  readonly isIndependent: boolean;
  readonly unit: string | null;
  /** Numbers at their declared width; texts for anything that is no number. */
  readonly values: Float64Array | Float32Array | readonly string[];
}

export type AnimlDocumentRead =
  | { readonly ok: true; readonly document: AnimlDocument }
  | { readonly ok: false; readonly fault: OpenFault };

class Refusal extends Error {
  constructor(readonly fault: OpenFault) {
    super(fault.message);
  }
}

/**
 * Reads an AnIML document that anybody wrote: with the core namespace under any prefix or with none, series as
 * individual, encoded (little-endian) or automatically incremented values, one set behind the other. Refused
 * with the element's path: XML that `parseXmlTree` refuses, another root, namespace or version, values that are
 * no numbers of their type, base64 of another length, sets that leave an index out or cover it twice, series of
 * another length than declared.
 */
export function readAnimlDocument(
  bytes: Uint8Array,
  limits: XmlLimits = ANIML_LIMITS,
): AnimlDocumentRead {
  const parsed = parseXmlTree(bytes, limits);
  if (!parsed.ok) return { ok: false, fault: parsed.fault };
  const root = animlRoot(parsed.tree);
  try {
    if (root === null || root.name !== 'AnIML') throw refuse('', 'expected the root element AnIML');
    refuseOtherVersion(root);
    const budget = { left: VALUES_MAX };
    const samples = childrenOf(root, 'SampleSet').flatMap((set) => childrenOf(set, 'Sample'));
    const steps = childrenOf(root, 'ExperimentStepSet').flatMap((set) =>
      childrenOf(set, 'ExperimentStep'),
    );
    return {
      ok: true,
      document: {
        samples: samples.map((sample) => ({
          id: token(attribute(sample, 'sampleID') ?? ''),
          name: token(attribute(sample, 'name') ?? ''),
        })),
        steps: steps.map((step) => stepOf(step, budget)),
        findings: animlFindings(parsed.tree),
      },
    };
  } catch (error) {
    if (error instanceof Refusal) return { ok: false, fault: error.fault };
    throw error;
  }
}

/** Of a whole document; automatically incremented values cost nothing to declare. */
const VALUES_MAX = 4_000_000;

function refuseOtherVersion(root: AnimlNode): void {
  const namespaces = [...root.attributes].filter(
    ([name]) => name === 'xmlns' || name.startsWith('xmlns:'),
  );
  const known = namespaces.filter(([, value]) =>
    value.startsWith('urn:org:astm:animl:schema:core'),
  );
  const other = known.find(([, value]) => value !== ANIML_NAMESPACE);
  if (other !== undefined) {
    throw refuse(`${root.path}/@${other[0]}`, `expected ${ANIML_NAMESPACE}, found ${other[1]}`);
  }
  const version = attribute(root, 'version');
  if (version !== null && version !== ANIML_VERSION) {
    throw refuse(`${root.path}/@version`, `expected ${ANIML_VERSION}, found ${version}`);
  }
}

interface Budget {
  left: number;
}

function stepOf(step: AnimlNode, budget: Budget): AnimlStep {
  const infrastructure = childrenOf(step, 'Infrastructure');
  const references = infrastructure
    .flatMap((one) => childrenOf(one, 'SampleReferenceSet'))
    .flatMap((set) => childrenOf(set, 'SampleReference'));
  const [timestamp] = infrastructure.flatMap((one) => childrenOf(one, 'Timestamp'));
  const [technique] = childrenOf(step, 'Technique');
  const holders = [...childrenOf(step, 'Method'), ...childrenOf(step, 'Result')];
  return {
    id: token(attribute(step, 'experimentStepID') ?? ''),
    name: token(attribute(step, 'name') ?? ''),
    technique: technique === undefined ? null : token(attribute(technique, 'name') ?? ''),
    timestamp: timestamp === undefined ? null : token(timestamp.text),
    sampleIds: references.map((one) => token(attribute(one, 'sampleID') ?? '')),
    parameters: holders.flatMap((holder) => parametersOf(holder, [])),
    sets: holders.flatMap((holder) => setsOf(holder, budget)),
  };
}

function parametersOf(node: AnimlNode, names: readonly string[]): AnimlParameter[] {
  const own = childrenOf(node, 'Parameter').map((parameter) => ({
    name: [...names, token(attribute(parameter, 'name') ?? '')].join(' / '),
    text: parameter.children.find((child) => child.name !== 'Unit')?.text ?? '',
    unit: unitOf(parameter),
  }));
  const inner = childrenOf(node, 'Category').flatMap((category) =>
    parametersOf(category, [...names, token(attribute(category, 'name') ?? '')]),
  );
  return [...own, ...inner];
}

function setsOf(node: AnimlNode, budget: Budget): AnimlSeriesSet[] {
  const own = childrenOf(node, 'SeriesSet').map((set) => ({
    name: token(attribute(set, 'name') ?? ''),
    path: set.path,
    series: seriesOf(set, budget),
  }));
  return [...own, ...childrenOf(node, 'Category').flatMap((inner) => setsOf(inner, budget))];
}

function seriesOf(set: AnimlNode, budget: Budget): readonly AnimlSeries[] {
  const all = childrenOf(set, 'Series');
  const length = lengthOf(set) ?? longest(all);
  budget.left -= length * all.length;
  if (budget.left < 0)
    throw refuse(set.path, `expected at most ${VALUES_MAX} values in a document`);
  return all.map((series) => ({
    name: token(attribute(series, 'name') ?? ''),
    isIndependent: token(attribute(series, 'dependency') ?? '') === 'independent',
    unit: unitOf(series),
    values: valuesOf(series, length),
  }));
}

function lengthOf(set: AnimlNode): number | null {
  const text = attribute(set, 'length');
  if (text === null) return null;
  if (/^\d{1,9}$/.test(text)) return Number(text);
  throw refuse(`${set.path}/@length`, `expected a whole number, found ${JSON.stringify(text)}`);
}

/** Documents without a length have as many values as their series count out. */
function longest(all: readonly AnimlNode[]): number {
  return all.reduce((most, series) => {
    const sets = childrenOf(series, 'IndividualValueSet');
    return Math.max(
      most,
      sets.reduce((sum, set) => sum + set.children.length, 0),
    );
  }, 0);
}

const SET_KINDS = ['IndividualValueSet', 'EncodedValueSet', 'AutoIncrementedValueSet'];

function valuesOf(series: AnimlNode, length: number): AnimlSeries['values'] {
  const type = token(attribute(series, 'seriesType') ?? attribute(series, 'SeriesType') ?? '');
  const sets = series.children.filter(({ name }) => SET_KINDS.includes(name));
  const found: (number | string)[] = [];
  const parts = sets.map((set) => ({ set, from: indexOf(set, 'startIndex') }));
  const ordered = parts.every(({ from }) => from !== null)
    ? parts.toSorted((a, b) => (a.from ?? 0) - (b.from ?? 0))
    : parts;
  for (const { set, from } of ordered) {
    if (from !== null && from !== found.length) {
      throw refuse(set.path, `expected a set from index ${found.length}, found one from ${from}`);
    }
    const end = indexOf(set, 'endIndex');
    const declared = end === null ? null : end - found.length + 1;
    const values = valuesOfSet(set, type, declared ?? length - found.length, length - found.length);
    if (declared !== null && values.length !== declared) {
      throw refuse(
        set.path,
        `expected ${declared} values up to index ${end}, found ${values.length}`,
      );
    }
    for (const value of values) found.push(value);
  }
  if (found.length !== length) {
    throw refuse(
      series.path,
      `expected ${length} values as the set declares, found ${found.length}`,
    );
  }
  if (!NUMERIC.has(type)) return found.map(String);
  return type === 'Float32'
    ? Float32Array.from(found.map(Number))
    : Float64Array.from(found.map(Number));
}

const NUMERIC = new Set(['Int32', 'Int64', 'Float32', 'Float64']);
const WHOLE = new Set(['Int32', 'Int64']);

function valuesOfSet(
  set: AnimlNode,
  type: string,
  count: number,
  most: number,
): readonly (number | string)[] {
  const element = VALUE_ELEMENT.get(type);
  if (element === undefined)
    throw refuse(set.path, `${JSON.stringify(type)} is no AnIML value type`);
  if (set.name === 'EncodedValueSet') return encoded(set, type, most);
  if (set.name === 'AutoIncrementedValueSet') {
    if (count < 0 || count > most)
      throw refuse(set.path, `expected at most ${most} values, found ${count}`);
    return incremented(set, type, element, count);
  }
  if (set.children.length > most) {
    throw refuse(set.path, `expected at most ${most} values, found ${set.children.length}`);
  }
  return set.children.map((value) => {
    if (value.name !== element)
      throw refuse(value.path, `expected ${element}, found ${value.name}`);
    return NUMERIC.has(type) ? numberOf(value, WHOLE.has(type)) : value.text;
  });
}

/** Value i is start + i × step by one multiplication, never by adding up. */
function incremented(
  set: AnimlNode,
  type: string,
  element: string,
  count: number,
): readonly number[] {
  const part = (name: string) => {
    const [value] = childrenOf(set, name).flatMap((one) => childrenOf(one, element));
    if (value === undefined) throw refuse(set.path, `expected ${name} with ${element}, found none`);
    return numberOf(value, WHOLE.has(type));
  };
  const start = part('StartValue');
  const step = part('Increment');
  return Array.from({ length: count }, (_, i) => start + i * step);
}

function encoded(set: AnimlNode, type: string, most: number): readonly number[] {
  const size = type.endsWith('64') ? 8 : 4;
  const text = packedBase64(set.text);
  if (!NUMERIC.has(type)) throw refuse(set.path, `values of type ${type} cannot be encoded`);
  if (text.length > Math.ceil((most * size) / 3) * 4) {
    throw refuse(set.path, `expected at most ${most} values, found more`);
  }
  const bytes = Buffer.from(text, 'base64');
  if (bytes.toString('base64') !== text) throw refuse(set.path, 'expected base64 with padding');
  if (bytes.length % size !== 0) {
    throw refuse(
      set.path,
      `expected a multiple of ${size} bytes for ${type}, found ${bytes.length}`,
    );
  }
  const read: Readonly<Record<string, (at: number) => number>> = {
    Int32: (at) => bytes.readInt32LE(at),
    Int64: (at) => exactly(set, bytes.readBigInt64LE(at)),
    Float32: (at) => bytes.readFloatLE(at),
    Float64: (at) => bytes.readDoubleLE(at),
  };
  const one = read[type];
  if (one === undefined) return [];
  return Array.from({ length: bytes.length / size }, (_, i) => one(i * size));
}

function exactly(set: AnimlNode, value: bigint): number {
  const number = Number(value);
  if (Number.isSafeInteger(number)) return number;
  throw refuse(set.path, `expected a whole number that a double holds, found ${value}`);
}

const LEXICAL = /^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?$/;

/** An xsd number; INF and NaN are lexical forms of the schema and no measurement. */
function numberOf(value: AnimlNode, isWhole: boolean): number {
  const text = token(value.text);
  const number = LEXICAL.test(text) ? Number(text) : Number.NaN;
  if (isWhole ? Number.isSafeInteger(number) : Number.isFinite(number)) return number;
  const expected = isWhole ? 'a whole number that a double holds' : 'a finite number';
  throw refuse(value.path, `expected ${expected}, found ${JSON.stringify(text.slice(0, 40))}`);
}

function indexOf(set: AnimlNode, name: string): number | null {
  const text = attribute(set, name);
  if (text === null) return null;
  if (/^\d{1,9}$/.test(text)) return Number(text);
  throw refuse(`${set.path}/@${name}`, `expected a whole number, found ${JSON.stringify(text)}`);
}

function unitOf(node: AnimlNode): string | null {
  const [unit] = childrenOf(node, 'Unit');
  return unit === undefined ? null : attribute(unit, 'label');
}

function attribute(node: AnimlNode, name: string): string | null {
  return node.attributes.get(name) ?? null;
}

function refuse(at: string, message: string): Refusal {
  return new Refusal({ at, message });
}

/**
 * The Raman spectra of any AnIML document: every dependent series of numbers in a set with an independent series in
 * reciprocal centimetres; which of several is the measured one, only a person can say. Refused when there is none, or when one of them is no spectrum.
 */
export function readOpenAniml(bytes: Uint8Array, limits: XmlLimits = ANIML_LIMITS): OpenRead {
  const read = readAnimlDocument(bytes, limits);
  if (!read.ok) return read;
  const spectra: OpenSpectrum[] = [];
  for (const step of read.document.steps) {
    for (const set of step.sets) {
      const axis = set.series.find(
        ({ isIndependent, unit }) => isIndependent && unit !== null && isWavenumber(unit),
      );
      if (axis === undefined || !isNumbers(axis.values)) continue;
      const shifts = Float64Array.from(axis.values);
      const intensities = set.series.filter((one) => !one.isIndependent && isNumbers(one.values));
      for (const { name, unit, values } of intensities) {
        if (!isNumbers(values)) continue;
        const fault = spectrumFault(shifts, values);
        if (fault !== null) return { ok: false, fault: { at: set.path, message: fault } };
        spectra.push({
          title: intensities.length === 1 ? step.name : `${step.name}, ${name}`,
          axis: shifts,
          intensity: values,
          intensityUnit: unit ?? 'arbitrary',
          notes: notesOf(step),
        });
      }
    }
  }
  if (spectra.length > 0) return { ok: true, spectra };
  const message = 'expected a series set with an independent series in 1/cm, found none';
  return { ok: false, fault: { at: '/AnIML', message } };
}

function isNumbers(values: AnimlSeries['values']): values is Float64Array | Float32Array {
  return values instanceof Float64Array || values instanceof Float32Array;
}

function notesOf({
  technique,
  timestamp,
  sampleIds,
  parameters,
}: AnimlStep): OpenSpectrum['notes'] {
  const texts = new Map<string, string>();
  if (technique !== null) texts.set('Technique', technique);
  if (timestamp !== null) texts.set('Timestamp', timestamp);
  if (sampleIds.length > 0) texts.set('Samples', sampleIds.join(', '));
  for (const { name, text, unit } of parameters) {
    const before = texts.get(name);
    const own = name.startsWith(`${NOTES} / `) ? (heldText(text) ?? text) : text;
    const said = unit === null ? own : `${own} ${unit}`;
    texts.set(name, before === undefined ? said : `${before}\n${said}`);
  }
  return [...texts].map(([name, text]) => ({ name, text }));
}
