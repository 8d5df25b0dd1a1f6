import type { SpectrumValues } from '../checks/spectrum-values.js';
import { type FloatValues, littleEndianBytes } from '../formats/float-array.js';
import { attributeText, elementText, XML_FORBIDDEN } from '../formats/xml-text.js';
import { type AnimlAttachment, ATTACHMENTS } from './animl-attachments.js';
import {
  type AnimlPlace,
  categoriesOf,
  NAMES,
  type PlacedCategory,
  type PlacedField,
  RESULT_NAMES,
  VALUE_FORMS,
} from './animl-layout.js';
import { TECHNIQUE_NAME, TECHNIQUE_SHA256, TECHNIQUE_URI } from './animl-technique.js';
import { isUnitKey, type UnitKey, unitElement } from './animl-units.js';
import { holdText } from './held-text.js';
import { type FieldReader, fieldReader } from './record-fields.js';
import type { ResultRecord } from './result-record.js';

/** Changes whenever the bytes written for one record change; stored beside the artefact's digest. */
export const ANIML_WRITER_VERSION = '1.0';

export const ANIML_NAMESPACE = 'urn:org:astm:animl:schema:core:draft:0.90';
export const ANIML_VERSION = '0.90';

export interface AnimlOptions {
  /** Where the reader finds the technique definition; the relative file name by default. */
  readonly techniqueUri?: string;
  /** Files beside the document that belong to it. */
  readonly attachments?: readonly AnimlAttachment[];
}

/**
 * Writes a record as an AnIML core 0.90 document. Without `values` the spectrum is described but not
 * carried. The same input gives the same bytes: no clock, no random number; the audit entries carry the
 * times of measuring and receiving. Attributes are tokens that lose doubled blanks, so every label also
 * stands letter for letter in an `S` element, in the form `held-text.ts` describes. Throws when the
 * values do not belong to the record.
 */
export function writeAniml(
  record: ResultRecord,
  values: SpectrumValues | null,
  options: AnimlOptions = {},
): string {
  const sampleId = tokenOf(record.container?.scanned ?? '', 'unlabelled');
  return (
    `<?xml version="1.0" encoding="UTF-8"?>\n<AnIML xmlns="${ANIML_NAMESPACE}" version="${ANIML_VERSION}">` +
    sampleSet(record, sampleId) +
    `<ExperimentStepSet><ExperimentStep name="${TECHNIQUE_NAME}" experimentStepID="${tokenOf(record.resultId, 'step')}" id="step">` +
    `<TagSet>${tag('environment', record.environment)}${tag('origin', record.origin)}</TagSet>` +
    `<Technique name="${TECHNIQUE_NAME}" uri="${attributeText(options.techniqueUri ?? TECHNIQUE_URI)}" sha256="${TECHNIQUE_SHA256}"/>` +
    `<Infrastructure><SampleReferenceSet><SampleReference sampleID="${sampleId}" role="${NAMES.role}" samplePurpose="consumed"/></SampleReferenceSet><Timestamp>${record.measuredAt.reported}</Timestamp></Infrastructure>` +
    method(record) +
    spectrumResult(record, values) +
    result('identity', 'identity', categories(record, 'identity') + lists(record)) +
    result('provenance', 'provenance', categories(record, 'provenance')) +
    `</ExperimentStep>${attachmentStep(record, options.attachments ?? [])}</ExperimentStepSet>${auditTrail(record)}</AnIML>\n`
  );
}

function sampleSet(record: ResultRecord, sampleId: string): string {
  const label = record.container?.scanned;
  const barcode = label === undefined ? '' : ` barcode="${tokenOf(label, '')}"`;
  const tags =
    (record.receipt === null ? '' : tag('receipt', record.receipt.scanned)) +
    (record.lot === null ? '' : tag('lot', record.lot)) +
    (record.material === null ? '' : tag('material', record.material)) +
    tag('site', record.site);
  return (
    `<SampleSet><Sample name="${tokenOf(label ?? '', 'Container without label')}" sampleID="${sampleId}"${barcode} id="sample">` +
    `<TagSet>${tags}</TagSet>${categories(record, 'sample')}</Sample></SampleSet>`
  );
}

function method(record: ResultRecord): string {
  const { instrument, operator } = record;
  const serial = tokenOf(instrument.serial, '');
  return (
    `<Method name="${tokenOf(record.method.id, 'method')}" id="method">` +
    `<Author userType="human"><Name>${shortText(operator.name ?? operator.id)}</Name><Role>operator</Role></Author>` +
    `<Device><DeviceIdentifier>${serial}</DeviceIdentifier><Name>${shortText(instrument.model)}</Name><FirmwareVersion>${tokenOf(instrument.firmware, '')}</FirmwareVersion><SerialNumber>${serial}</SerialNumber></Device>` +
    `${SOFTWARE}${categories(record, 'method')}</Method>`
  );
}

const SOFTWARE = `<Software><Name>Drumline AnIML writer</Name><Version>${ANIML_WRITER_VERSION}</Version></Software>`;

function spectrumResult(record: ResultRecord, values: SpectrumValues | null): string {
  if (record.spectrum === null) {
    if (values !== null)
      throw new RangeError('spectrum values were given for a record without one');
    return '';
  }
  const series = values === null ? '' : seriesSet(record, values);
  return result('spectrum', 'spectrum', series + categories(record, 'spectrum'));
}

function seriesSet(record: ResultRecord, values: SpectrumValues): string {
  const points = values.axis.length;
  if (values.intensity.length !== points || record.spectrum?.points !== points) {
    throw new RangeError(
      `the record says ${record.spectrum?.points} points, the values are ${points} and ${values.intensity.length}`,
    );
  }
  if (!isUnitKey(values.intensityUnit)) {
    throw new RangeError(`unit ${values.intensityUnit} is not in the unit table`);
  }
  const last = points - 1;
  const axis =
    values.even === null
      ? encodedSeries(NAMES.shift, 'independent', 'shift', values.axis, last, 'wavenumber')
      : `<Series name="${NAMES.shift}" dependency="independent" seriesID="shift" seriesType="Float64">` +
        `<AutoIncrementedValueSet startIndex="0" endIndex="${last}"><StartValue><D>${values.even.start}</D></StartValue><Increment><D>${values.even.step}</D></Increment></AutoIncrementedValueSet>` +
        `${UNIT_ELEMENTS.wavenumber}</Series>`;
  const intensity = encodedSeries(
    NAMES.intensity,
    'dependent',
    'intensity',
    values.intensity,
    last,
    values.intensityUnit,
  );
  return `<SeriesSet name="${NAMES.seriesSet}" length="${points}">${axis}${intensity}</SeriesSet>`;
}

function encodedSeries(
  name: string,
  dependency: string,
  id: string,
  values: FloatValues,
  last: number,
  unit: UnitKey,
): string {
  const type = values instanceof Float32Array ? 'Float32' : 'Float64';
  return (
    `<Series name="${name}" dependency="${dependency}" seriesID="${id}" seriesType="${type}">` +
    `<EncodedValueSet startIndex="0" endIndex="${last}">${littleEndianBytes(values).toString('base64')}</EncodedValueSet>${UNIT_ELEMENTS[unit]}</Series>`
  );
}

function result(place: keyof typeof RESULT_NAMES, id: string, content: string): string {
  return `<Result name="${RESULT_NAMES[place]}" id="${id}">${content}</Result>`;
}

function categories(record: ResultRecord, place: AnimlPlace): string {
  let text = '';
  for (const category of PREPARED[place]) {
    let parameters = '';
    for (const { read, isText, start, end } of category.parameters) {
      const value = read(record);
      if (value !== null) parameters += start + (isText ? exactText(value) : value) + end;
    }
    if (parameters !== '') text += `${category.start}${parameters}</Category>`;
  }
  return text;
}

function lists(record: ResultRecord): string {
  const candidates = record.candidates.map(
    ({ material, score }, index) =>
      `<Category name="${NAMES.candidate}"><Parameter name="${NAMES.candidateRank}" parameterType="Int64"><L>${index + 1}</L></Parameter>${textParameter(NAMES.candidateMaterial, material)}<Parameter name="${NAMES.candidateScore}" parameterType="Float64"><D>${score}</D></Parameter></Category>`,
  );
  const remarks = record.remarks.map(
    ({ name, text }) =>
      `<Category name="${NAMES.remark}">${textParameter(NAMES.remarkName, name)}${textParameter(NAMES.remarkText, text)}</Category>`,
  );
  const findings = record.findings.map((code) => textParameter(NAMES.finding, code));
  return (
    list(NAMES.candidates, candidates) +
    list(NAMES.remarks, remarks) +
    list(NAMES.findings, findings)
  );
}

function list(name: string, items: readonly string[]): string {
  return items.length === 0 ? '' : `<Category name="${name}">${items.join('')}</Category>`;
}

function textParameter(name: string, text: string): string {
  return `<Parameter name="${name}" parameterType="String"><S>${exactText(text)}</S></Parameter>`;
}

function attachmentStep(record: ResultRecord, attachments: readonly AnimlAttachment[]): string {
  if (attachments.length === 0) return '';
  // The id of the measurement's step is the result's, which may be anything.
  const taken = tokenOf(record.resultId, 'step') === ATTACHMENTS.id;
  const categories = attachments.map(
    ({ fileName, mediaType, sha256 }) =>
      `<Category name="${ATTACHMENTS.attachment}">${textParameter(ATTACHMENTS.fileName, fileName)}${textParameter(ATTACHMENTS.mediaType, mediaType)}${textParameter(ATTACHMENTS.sha256, sha256)}</Category>`,
  );
  return (
    `<ExperimentStep name="${ATTACHMENTS.step}" experimentStepID="${ATTACHMENTS.id}${taken ? '-2' : ''}" id="${ATTACHMENTS.id}">` +
    `<Result name="${ATTACHMENTS.step}">${categories.join('')}</Result></ExperimentStep>`
  );
}

function auditTrail(record: ResultRecord): string {
  const device = `<Author userType="device"><Name>${shortText(record.instrument.serial)}</Name></Author>`;
  return (
    '<AuditTrailEntrySet>' +
    `<AuditTrailEntry id="audit-1"><Timestamp>${record.measuredAt.reported}</Timestamp>${device}<Action>created</Action><Reason>measured</Reason><Reference>step</Reference></AuditTrailEntry>` +
    `<AuditTrailEntry id="audit-2"><Timestamp>${record.bundle.receivedAt}</Timestamp><Author userType="software"><Name>Drumline</Name></Author>${SOFTWARE}<Action>converted</Action>` +
    '<Reason>written from the result bundle received at this time</Reason>' +
    `<Comment>bundle SHA-256 ${record.bundle.sha256}</Comment><Reference>step</Reference></AuditTrailEntry>` +
    '</AuditTrailEntrySet>'
  );
}

function tag(name: string, value: string): string {
  return `<Tag name="${name}" value="${tokenOf(value, '')}"/>`;
}

const TOKEN_LENGTH_MAX = 1024;

/** Plain ASCII words with single blanks between them: a token as it stands. */
const PLAIN_TOKEN = /^[!#-%'-;=?-~]+(?: [!#-%'-;=?-~]+)*$/;

/**
 * A text as attribute token: blanks collapsed, what XML cannot hold as U+FFFD, at most 1024 characters.
 * For display and look-up only; the exact text is in a parameter.
 */
export function tokenOf(text: string, whenEmpty: string): string {
  if (text.length <= TOKEN_LENGTH_MAX && PLAIN_TOKEN.test(text)) return text;
  const token = shortened(text.replace(/[ \t\r\n]+/g, ' ').trim()).trim();
  return attributeText(token === '' ? whenEmpty : token);
}

/** Plain ASCII without markup, the usual case: neither escaped nor held in another form. */
const PLAIN = /^(?!json:)[ !#-%'-;=?-~]*$/;

/** The text letter for letter, as `readAniml` gives it back. */
export function exactText(text: string): string {
  return PLAIN.test(text) ? text : elementText(holdText(text));
}

function shortText(text: string): string {
  if (text.length <= TOKEN_LENGTH_MAX && PLAIN.test(text)) return text;
  return elementText(shortened(text));
}

function shortened(text: string): string {
  const cut =
    text.length <= TOKEN_LENGTH_MAX ? text : [...text].slice(0, TOKEN_LENGTH_MAX).join('');
  return XML_FORBIDDEN.test(cut) ? cut.replace(new RegExp(XML_FORBIDDEN, 'g'), '\ufffd') : cut;
}

const UNIT_ELEMENTS: Readonly<Record<UnitKey, string>> = {
  wavenumber: unitElement('wavenumber', true),
  wavelength: unitElement('wavelength', true),
  time: unitElement('time', true),
  power: unitElement('power', true),
  counts: unitElement('counts', true),
  'counts-per-second': unitElement('counts-per-second', true),
  arbitrary: unitElement('arbitrary', true),
};

interface PreparedCategory {
  readonly start: string;
  readonly parameters: readonly {
    readonly read: FieldReader;
    readonly isText: boolean;
    readonly start: string;
    readonly end: string;
  }[];
}

/** The markup around every value, put together once: a document is then its values between these. */
const PREPARED: Readonly<Record<AnimlPlace, readonly PreparedCategory[]>> = {
  sample: categoriesOf('sample').map(prepareCategory),
  method: categoriesOf('method').map(prepareCategory),
  spectrum: categoriesOf('spectrum').map(prepareCategory),
  identity: categoriesOf('identity').map(prepareCategory),
  provenance: categoriesOf('provenance').map(prepareCategory),
};

function prepareCategory({ name, fields }: PlacedCategory): PreparedCategory {
  return { start: `<Category name="${name}">`, parameters: fields.map(prepareParameter) };
}

function prepareParameter(field: PlacedField): PreparedCategory['parameters'][number] {
  const { type, element } = VALUE_FORMS[field.kind];
  const unit = field.unit === undefined ? '' : UNIT_ELEMENTS[field.unit];
  return {
    read: fieldReader(field.at),
    isText: element === 'S',
    start: `<Parameter name="${field.parameter}" parameterType="${type}"><${element}>`,
    end: `</${element}>${unit}</Parameter>`,
  };
}
