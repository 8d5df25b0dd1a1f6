import { sha256 } from '../formats/canonical-json.js';
import {
  type AnimlPlace,
  categoriesOf,
  NAMES,
  type PlacedCategory,
  type PlacedField,
  RESULT_NAMES,
  VALUE_FORMS,
} from './animl-layout.js';
import { UNITS, type UnitKey, unitElement } from './animl-units.js';
import { NULLABLE_GROUPS } from './record-fields.js';

const NAMESPACE = 'urn:org:astm:animl:schema:technique:draft:0.90';
export const TECHNIQUE_NAME = 'Raman Identity Test';
/** Relative: the file travels beside the documents, or a site names where it keeps it. */
export const TECHNIQUE_URI = 'raman-identity.atdd';

const ABOUT =
  'House definition: one Raman measurement of one container and the comparison that yields an identity ' +
  'decision. Not an official technique definition. Floating-point parameters carry the reported decimal ' +
  'text, digits included. A text that begins with json: and a quotation mark is a JSON string after that ' +
  'mark, used where XML cannot hold a character.';

/**
 * Our technique definition, as `schemas/raman-identity.atdd` holds it. Written from the layout table, so
 * that every parameter a document may carry is defined. It is a house definition: the public technique
 * repository holds none for Raman.
 */
export function techniqueDefinition(): string {
  const role =
    `<SampleRoleBlueprint name="${NAMES.role}" samplePurpose="consumed" modality="required" maxOccurs="1">` +
    '<Documentation>The container whose content is measured.</Documentation>' +
    `${categories('sample')}</SampleRoleBlueprint>`;
  const method = `<MethodBlueprint>${categories('method')}</MethodBlueprint>`;
  const results =
    result('spectrum', 'optional', seriesSet() + categories('spectrum')) +
    result('identity', 'required', categories('identity') + lists()) +
    result('provenance', 'required', categories('provenance'));
  const root = `<Technique xmlns="${NAMESPACE}" version="0.90" name="${TECHNIQUE_NAME}">`;
  return laidOut(
    `<?xml version="1.0" encoding="UTF-8"?>${root}<Documentation>${ABOUT}</Documentation>${role}${method}${results}</Technique>`,
  );
}

/** Digest of the definition's bytes, carried by every document. */
export const TECHNIQUE_SHA256 = sha256(techniqueDefinition());

function result(place: keyof typeof RESULT_NAMES, modality: string, content: string): string {
  return `<ResultBlueprint name="${RESULT_NAMES[place]}" modality="${modality}">${content}</ResultBlueprint>`;
}

function seriesSet(): string {
  const units: readonly UnitKey[] = ['counts', 'counts-per-second', 'arbitrary'];
  return (
    `<SeriesSetBlueprint name="${NAMES.seriesSet}" modality="optional">` +
    `<SeriesBlueprint name="${NAMES.shift}" seriesType="Float" dependency="independent">${quantity(['wavenumber'])}</SeriesBlueprint>` +
    `<SeriesBlueprint name="${NAMES.intensity}" seriesType="Float" dependency="dependent">${quantity(units)}</SeriesBlueprint>` +
    '</SeriesSetBlueprint>'
  );
}

function lists(): string {
  const many = 'modality="optional" maxOccurs="unbounded"';
  return (
    `<CategoryBlueprint name="${NAMES.candidates}" modality="optional">` +
    `<CategoryBlueprint name="${NAMES.candidate}" ${many}>` +
    plain(NAMES.candidateRank, 'Int') +
    plain(NAMES.candidateMaterial, 'String') +
    plain(NAMES.candidateScore, 'Float') +
    '</CategoryBlueprint></CategoryBlueprint>' +
    `<CategoryBlueprint name="${NAMES.remarks}" modality="optional">` +
    `<CategoryBlueprint name="${NAMES.remark}" ${many}>` +
    plain(NAMES.remarkName, 'String') +
    plain(NAMES.remarkText, 'String') +
    '</CategoryBlueprint></CategoryBlueprint>' +
    `<CategoryBlueprint name="${NAMES.findings}" modality="optional">` +
    `<ParameterBlueprint name="${NAMES.finding}" parameterType="String" ${many}/>` +
    '</CategoryBlueprint>'
  );
}

function plain(name: string, type: string): string {
  return `<ParameterBlueprint name="${name}" parameterType="${type}"/>`;
}

function categories(place: AnimlPlace): string {
  return categoriesOf(place).map(category).join('');
}

function category({ name, fields }: PlacedCategory): string {
  const modality = fields.some(isRequired) ? 'required' : 'optional';
  return `<CategoryBlueprint name="${name}" modality="${modality}">${fields.map(parameter).join('')}</CategoryBlueprint>`;
}

function parameter(field: PlacedField): string {
  const { blueprint } = VALUE_FORMS[field.kind];
  const modality = isRequired(field) ? 'required' : 'optional';
  const start = `<ParameterBlueprint name="${field.parameter}" parameterType="${blueprint}" modality="${modality}"`;
  const content =
    field.oneOf !== undefined
      ? field.oneOf.map((value) => `<AllowedValue><S>${value}</S></AllowedValue>`).join('')
      : field.unit !== undefined
        ? quantity([field.unit])
        : '';
  return content === '' ? `${start}/>` : `${start}>${content}</ParameterBlueprint>`;
}

function quantity(units: readonly UnitKey[]): string {
  const [first] = units;
  if (first === undefined) return '';
  const elements = units.map((key) => unitElement(key, false)).join('');
  return `<Quantity name="${UNITS[first].quantity}">${elements}</Quantity>`;
}

function isRequired(field: PlacedField): boolean {
  return field.required && !NULLABLE_GROUPS.some((group) => field.at.startsWith(`${group}.`));
}

/** Two blanks a level, a leaf on one line: the file is read by people. */
function laidOut(xml: string): string {
  let depth = 0;
  let previousWasStart = false;
  let out = '';
  for (const token of xml.match(/<[^>]+>[^<]*/g) ?? []) {
    const isEnd = token.startsWith('</');
    if (isEnd) depth -= 1;
    const joinsStart = isEnd && previousWasStart;
    out += joinsStart || out === '' ? token : `\n${'  '.repeat(depth)}${token}`;
    const isStart = !isEnd && !token.startsWith('<?') && !/\/>$/.test(token);
    if (isStart) depth += 1;
    previousWasStart = isStart;
  }
  return `${out}\n`;
}
