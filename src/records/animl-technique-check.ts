import {
  type AnimlPlace,
  categoriesOf,
  NAMES,
  type PlacedCategory,
  type PlacedField,
  RESULT_NAMES,
  VALUE_FORMS,
} from './animl-layout.js';
import { type AnimlNode, childrenOf, everyNode, token } from './animl-nodes.js';
import { TECHNIQUE_NAME } from './animl-technique.js';
import { isUnitKey, UNITS, type UnitKey } from './animl-units.js';
import { NULLABLE_GROUPS } from './record-fields.js';

/** A place where a document is not what our technique definition says. */
export interface TechniqueFinding {
  /** Element path in the document. */
  readonly path: string;
  /** Found against expected. */
  readonly message: string;
}

/**
 * Compares the steps of a document that name our technique (`schemas/raman-identity.atdd`) with it: names of
 * results, categories, parameters and series, required ones, value types, units, allowed values, and the role of
 * the sample. null when no step names it. Values of a category that the definition does not know are not looked at.
 */
export function techniqueFindings(root: AnimlNode): readonly TechniqueFinding[] | null {
  const steps = [...everyNode(root)].filter(
    (node) => node.name === 'ExperimentStep' && namesOurs(node),
  );
  if (steps.length === 0) return null;
  const samples = childrenOf(root, 'SampleSet').flatMap((set) => childrenOf(set, 'Sample'));
  return steps.flatMap((step) => {
    const check = new StepCheck(step, samples);
    check.run();
    return check.findings;
  });
}

function namesOurs(step: AnimlNode): boolean {
  return childrenOf(step, 'Technique').some((technique) => nameOf(technique) === TECHNIQUE_NAME);
}

/** AnIML types that a blueprint's wider type takes. */
const TYPES: Readonly<Record<string, readonly string[]>> = {
  Float: ['Float32', 'Float64'],
  Int: ['Int32', 'Int64'],
};

const LISTS: ReadonlyMap<string, ListForm> = new Map([
  [
    NAMES.candidates,
    {
      item: NAMES.candidate,
      fields: [
        [NAMES.candidateRank, 'Int'],
        [NAMES.candidateMaterial, 'String'],
        [NAMES.candidateScore, 'Float'],
      ],
    },
  ],
  [
    NAMES.remarks,
    {
      item: NAMES.remark,
      fields: [
        [NAMES.remarkName, 'String'],
        [NAMES.remarkText, 'String'],
      ],
    },
  ],
]);

interface ListForm {
  readonly item: string;
  readonly fields: readonly (readonly [name: string, type: string])[];
}

const INTENSITY_UNITS: readonly UnitKey[] = ['counts', 'counts-per-second', 'arbitrary'];

class StepCheck {
  readonly findings: TechniqueFinding[] = [];

  constructor(
    private readonly step: AnimlNode,
    private readonly samples: readonly AnimlNode[],
  ) {}

  run(): void {
    this.#sample();
    const [method] = childrenOf(this.step, 'Method');
    if (method === undefined) this.#missing(this.step, 'Method');
    else this.#categories(method, 'method');
    const known = Object.entries(RESULT_NAMES) as [keyof typeof RESULT_NAMES, string][];
    for (const result of childrenOf(this.step, 'Result')) {
      const place = known.find(([, name]) => name === nameOf(result))?.[0];
      if (place === undefined) this.#unknown(result);
      else this.#result(result, place);
    }
    for (const name of [RESULT_NAMES.identity, RESULT_NAMES.provenance]) {
      if (!childrenOf(this.step, 'Result').some((result) => nameOf(result) === name))
        this.#missing(this.step, `Result ${name}`);
    }
  }

  #sample(): void {
    const references = childrenOf(this.step, 'Infrastructure')
      .flatMap((one) => childrenOf(one, 'SampleReferenceSet'))
      .flatMap((set) => childrenOf(set, 'SampleReference'));
    const [reference] = references.filter((one) => attribute(one, 'role') === NAMES.role);
    for (const other of references.filter((one) => one !== reference)) {
      const message = `expected one sample of the role ${NAMES.role}, found the role ${JSON.stringify(attribute(other, 'role'))}`;
      this.#find(other, message);
    }
    if (reference === undefined) {
      this.#missing(this.step, `SampleReference of the role ${NAMES.role}`);
      return;
    }
    const purpose = attribute(reference, 'samplePurpose');
    if (purpose !== 'consumed') {
      this.#find(reference, `expected samplePurpose consumed, found ${JSON.stringify(purpose)}`);
    }
    const id = attribute(reference, 'sampleID');
    const sample = this.samples.find((one) => attribute(one, 'sampleID') === id);
    if (sample !== undefined) this.#categories(sample, 'sample');
  }

  #result(result: AnimlNode, place: keyof typeof RESULT_NAMES): void {
    for (const set of childrenOf(result, 'SeriesSet')) {
      if (place !== 'spectrum' || nameOf(set) !== NAMES.seriesSet) this.#unknown(set);
      else this.#seriesSet(set);
    }
    this.#categories(result, place);
  }

  #seriesSet(set: AnimlNode): void {
    const forms = new Map<string, readonly [string, readonly UnitKey[]]>([
      [NAMES.shift, ['independent', ['wavenumber']]],
      [NAMES.intensity, ['dependent', INTENSITY_UNITS]],
    ]);
    for (const series of childrenOf(set, 'Series')) {
      const form = forms.get(nameOf(series));
      if (form === undefined) {
        this.#unknown(series);
        continue;
      }
      const [dependency, units] = form;
      const found = attribute(series, 'dependency');
      if (found !== dependency)
        this.#find(series, `expected dependency ${dependency}, found ${JSON.stringify(found)}`);
      this.#type(series, attribute(series, 'seriesType'), 'Float');
      this.#unit(series, units);
    }
    for (const name of forms.keys()) {
      if (!childrenOf(set, 'Series').some((series) => nameOf(series) === name))
        this.#missing(set, `Series ${name}`);
    }
  }

  #categories(holder: AnimlNode, place: AnimlPlace): void {
    const known = categoriesOf(place);
    for (const category of childrenOf(holder, 'Category')) {
      const form = known.find(({ name }) => name === nameOf(category));
      const list = place === 'identity' ? LISTS.get(nameOf(category)) : undefined;
      if (form !== undefined) this.#category(category, form);
      else if (list !== undefined) this.#list(category, list);
      else if (place === 'identity' && nameOf(category) === NAMES.findings) this.#codes(category);
      else this.#unknown(category);
    }
    for (const { name, fields } of known) {
      const times = childrenOf(holder, 'Category').filter((one) => nameOf(one) === name).length;
      if (times > 1) this.#find(holder, `expected one Category ${name}, found ${times}`);
      if (times === 0 && fields.some(isRequired)) this.#missing(holder, `Category ${name}`);
    }
  }

  #category(category: AnimlNode, { fields }: PlacedCategory): void {
    for (const inner of childrenOf(category, 'Category')) this.#unknown(inner);
    for (const parameter of childrenOf(category, 'Parameter')) {
      const field = fields.find(({ parameter: name }) => name === nameOf(parameter));
      if (field === undefined) this.#unknown(parameter);
      else this.#parameter(parameter, field);
    }
    for (const field of fields) this.#count(category, field.parameter, isRequired(field));
  }

  #parameter(parameter: AnimlNode, field: PlacedField): void {
    this.#type(parameter, attribute(parameter, 'parameterType'), VALUE_FORMS[field.kind].blueprint);
    this.#unit(parameter, field.unit === undefined ? null : [field.unit]);
    const text = parameter.children.find(({ name }) => name !== 'Unit')?.text ?? '';
    if (field.oneOf !== undefined && !field.oneOf.includes(text)) {
      const found = JSON.stringify(text.slice(0, TEXT_SHOWN));
      this.#find(parameter, `expected one of ${field.oneOf.join(', ')}, found ${found}`);
    }
  }

  #list(category: AnimlNode, { item, fields }: ListForm): void {
    for (const stray of childrenOf(category, 'Parameter')) this.#unknown(stray);
    for (const one of childrenOf(category, 'Category')) {
      if (nameOf(one) !== item) {
        this.#unknown(one);
        continue;
      }
      for (const parameter of childrenOf(one, 'Parameter')) {
        const type = fields.find(([name]) => name === nameOf(parameter))?.[1];
        if (type === undefined) this.#unknown(parameter);
        else this.#type(parameter, attribute(parameter, 'parameterType'), type);
      }
      for (const [name] of fields) this.#count(one, name, true);
    }
  }

  #codes(category: AnimlNode): void {
    for (const parameter of childrenOf(category, 'Parameter')) {
      if (nameOf(parameter) !== NAMES.finding) this.#unknown(parameter);
      else this.#type(parameter, attribute(parameter, 'parameterType'), 'String');
    }
  }

  #count(holder: AnimlNode, name: string, required: boolean): void {
    const times = childrenOf(holder, 'Parameter').filter((one) => nameOf(one) === name).length;
    if (times > 1) this.#find(holder, `expected one Parameter ${name}, found ${times}`);
    if (times === 0 && required) this.#missing(holder, `Parameter ${name}`);
  }

  #type(node: AnimlNode, found: string, blueprint: string): void {
    const expected = TYPES[blueprint] ?? [blueprint];
    if (!expected.includes(found)) {
      this.#find(
        node,
        `expected the type ${expected.join(' or ')}, found ${JSON.stringify(found)}`,
      );
    }
  }

  #unit(node: AnimlNode, units: readonly UnitKey[] | null): void {
    const [unit] = childrenOf(node, 'Unit');
    const label = unit === undefined ? null : attribute(unit, 'label');
    if (units === null) {
      if (label !== null) this.#find(node, `expected no unit, found ${JSON.stringify(label)}`);
      return;
    }
    const labels = units.filter(isUnitKey).map((key) => UNITS[key].label);
    if (label !== null && labels.some((known) => known === label)) return;
    const found = label === null ? 'none' : JSON.stringify(label);
    this.#find(node, `expected the unit ${labels.join(' or ')}, found ${found}`);
  }

  #unknown(node: AnimlNode): void {
    const name = JSON.stringify(nameOf(node).slice(0, TEXT_SHOWN));
    this.#find(node, `the technique defines no ${node.name} ${name} here`);
  }

  #missing(node: AnimlNode, what: string): void {
    this.#find(node, `expected ${what}, found none`);
  }

  #find({ path }: AnimlNode, message: string): void {
    this.findings.push({ path, message });
  }
}

const TEXT_SHOWN = 60;

/** As in the definition: a field of a group that may be absent as a whole is not required by itself. */
function isRequired(field: PlacedField): boolean {
  return field.required && !NULLABLE_GROUPS.some((group) => field.at.startsWith(`${group}.`));
}

function nameOf(node: AnimlNode): string {
  return attribute(node, 'name');
}

function attribute(node: AnimlNode, name: string): string {
  return token(node.attributes.get(name) ?? '');
}
