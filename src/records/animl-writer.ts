import type { SpectrumValues } from '../checks/spectrum-values.js';
import { type FloatValues, littleEndianBytes } from '../formats/float-array.js';
import { attributeText, elementText, XML_FORBIDDEN } from '../formats/xml-text.js';
import { type AnimlAttachment, ATTACHMENTS } from './animl-attachments.js';
import { type AnimlPlace, NAMES, RESULT_NAMES } from './animl-layout.js';
import { flat, PREPARED, type PreparedParameter, UNIT_ELEMENTS } from './animl-markup.js';
import { TECHNIQUE_NAME, TECHNIQUE_SHA256, TECHNIQUE_URI } from './animl-technique.js';
import { isUnitKey, type UnitKey } from './animl-units.js';
import { holdText } from './held-text.js';
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
  const pieces: Pieces = [PROLOGUE];
  addSampleSet(pieces, record, sampleId);
  pieces.push(
    STEP_START,
    tokenOf(record.resultId, 'step'),
    '" id="step"><TagSet>',
    tag('environment', record.environment),
    tag('origin', record.origin),
    TECHNIQUE_START,
    attributeText(options.techniqueUri ?? TECHNIQUE_URI),
    TECHNIQUE_END,
    sampleId,
    ROLE_TO_TIME,
    record.measuredAt.reported,
    '</Timestamp></Infrastructure>',
  );
  addMethod(pieces, record);
  addSpectrumResult(pieces, record, values);
  pieces.push(RESULT_STARTS.identity);
  addCategories(pieces, record, 'identity');
  pieces.push(lists(record), '</Result>', RESULT_STARTS.provenance);
  addCategories(pieces, record, 'provenance');
  pieces.push(
    '</Result></ExperimentStep>',
    attachmentStep(record, options.attachments ?? []),
    '</ExperimentStepSet>',
  );
  addAuditTrail(pieces, record);
  pieces.push('</AnIML>\n');
  return pieces.join('');
}

/**
 * The document in order, put together once at its end: strings that grow by `+` become trees of some hundred nodes,
 * and making one text of such a tree costs more than everything else that is written here.
 */
type Pieces = string[];

const PROLOGUE = flat`<?xml version="1.0" encoding="UTF-8"?>\n<AnIML xmlns="${ANIML_NAMESPACE}" version="${ANIML_VERSION}">`;
const STEP_START = flat`<ExperimentStepSet><ExperimentStep name="${TECHNIQUE_NAME}" experimentStepID="`;
const TECHNIQUE_START = flat`</TagSet><Technique name="${TECHNIQUE_NAME}" uri="`;
const TECHNIQUE_END = flat`" sha256="${TECHNIQUE_SHA256}"/><Infrastructure><SampleReferenceSet><SampleReference sampleID="`;
const ROLE_TO_TIME = flat`" role="${NAMES.role}" samplePurpose="consumed"/></SampleReferenceSet><Timestamp>`;
const RESULT_STARTS = {
  spectrum: flat`<Result name="${RESULT_NAMES.spectrum}" id="spectrum">`,
  identity: flat`<Result name="${RESULT_NAMES.identity}" id="identity">`,
  provenance: flat`<Result name="${RESULT_NAMES.provenance}" id="provenance">`,
} as const;

function addSampleSet(pieces: Pieces, record: ResultRecord, sampleId: string): void {
  const label = record.container?.scanned;
  pieces.push(
    '<SampleSet><Sample name="',
    tokenOf(label ?? '', 'Container without label'),
    '" sampleID="',
    sampleId,
  );
  if (label !== undefined) pieces.push('" barcode="', tokenOf(label, ''));
  pieces.push('" id="sample"><TagSet>');
  if (record.receipt !== null) pieces.push(tag('receipt', record.receipt.scanned));
  if (record.lot !== null) pieces.push(tag('lot', record.lot));
  if (record.material !== null) pieces.push(tag('material', record.material));
  pieces.push(tag('site', record.site), '</TagSet>');
  addCategories(pieces, record, 'sample');
  pieces.push('</Sample></SampleSet>');
}

function addMethod(pieces: Pieces, record: ResultRecord): void {
  const { instrument, operator } = record;
  const serial = tokenOf(instrument.serial, '');
  pieces.push(
    '<Method name="',
    tokenOf(record.method.id, 'method'),
    '" id="method"><Author userType="human"><Name>',
    shortText(operator.name ?? operator.id),
    '</Name><Role>operator</Role></Author><Device><DeviceIdentifier>',
    serial,
    '</DeviceIdentifier><Name>',
    shortText(instrument.model),
    '</Name><FirmwareVersion>',
    tokenOf(instrument.firmware, ''),
    '</FirmwareVersion><SerialNumber>',
    serial,
    METHOD_SOFTWARE,
  );
  addCategories(pieces, record, 'method');
  pieces.push('</Method>');
}

const SOFTWARE = flat`<Software><Name>Drumline AnIML writer</Name><Version>${ANIML_WRITER_VERSION}</Version></Software>`;
const METHOD_SOFTWARE = flat`</SerialNumber></Device>${SOFTWARE}`;

function addSpectrumResult(
  pieces: Pieces,
  record: ResultRecord,
  values: SpectrumValues | null,
): void {
  if (record.spectrum === null) {
    if (values !== null)
      throw new RangeError('spectrum values were given for a record without one');
    return;
  }
  pieces.push(RESULT_STARTS.spectrum);
  if (values !== null) addSeriesSet(pieces, record, values);
  addCategories(pieces, record, 'spectrum');
  pieces.push('</Result>');
}

function addSeriesSet(pieces: Pieces, record: ResultRecord, values: SpectrumValues): void {
  const points = values.axis.length;
  if (values.intensity.length !== points || record.spectrum?.points !== points) {
    throw new RangeError(
      `the record says ${record.spectrum?.points} points, the values are ${points} and ${values.intensity.length}`,
    );
  }
  const unit = values.intensityUnit;
  if (!isUnitKey(unit)) throw new RangeError(`unit ${unit} is not in the unit table`);
  pieces.push(`<SeriesSet name="${NAMES.seriesSet}" length="${points}">`);
  if (values.even === null) {
    addSeries(pieces, NAMES.shift, 'independent', 'shift', values.axis, 'wavenumber');
  } else {
    pieces.push(
      `<Series name="${NAMES.shift}" dependency="independent" seriesID="shift" seriesType="Float64">`,
      `<AutoIncrementedValueSet startIndex="0" endIndex="${points - 1}"><StartValue><D>${values.even.start}</D></StartValue><Increment><D>${values.even.step}</D></Increment></AutoIncrementedValueSet>`,
      `${UNIT_ELEMENTS.wavenumber}</Series>`,
    );
  }
  addSeries(pieces, NAMES.intensity, 'dependent', 'intensity', values.intensity, unit);
  pieces.push('</SeriesSet>');
}

function addSeries(
  pieces: Pieces,
  name: string,
  dependency: string,
  id: string,
  values: FloatValues,
  unit: UnitKey,
): void {
  const type = values instanceof Float32Array ? 'Float32' : 'Float64';
  pieces.push(
    `<Series name="${name}" dependency="${dependency}" seriesID="${id}" seriesType="${type}">`,
    `<EncodedValueSet startIndex="0" endIndex="${values.length - 1}">`,
    littleEndianBytes(values).toString('base64'),
    '</EncodedValueSet>',
    UNIT_ELEMENTS[unit],
    '</Series>',
  );
}

function addCategories(pieces: Pieces, record: ResultRecord, place: AnimlPlace): void {
  for (const parameters of PREPARED[place]) {
    let last: PreparedParameter | null = null;
    for (const parameter of parameters) {
      const value = parameter.read(record);
      if (value === null) continue;
      if (last === null) pieces.push(parameter.first);
      else if (last === parameter.previous) pieces.push(parameter.next);
      else pieces.push(last.end, parameter.start);
      pieces.push(parameter.isText ? exactText(value) : value);
      last = parameter;
    }
    if (last !== null) pieces.push(last.close);
  }
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

function addAuditTrail(pieces: Pieces, record: ResultRecord): void {
  pieces.push(
    '<AuditTrailEntrySet><AuditTrailEntry id="audit-1"><Timestamp>',
    record.measuredAt.reported,
    '</Timestamp><Author userType="device"><Name>',
    shortText(record.instrument.serial),
    MEASURED_TO_CONVERTED,
    record.bundle.receivedAt,
    CONVERTED,
    record.bundle.sha256,
    '</Comment><Reference>step</Reference></AuditTrailEntry></AuditTrailEntrySet>',
  );
}

const MEASURED_TO_CONVERTED = flat`</Name></Author><Action>created</Action><Reason>measured</Reason><Reference>step</Reference></AuditTrailEntry><AuditTrailEntry id="audit-2"><Timestamp>`;
const CONVERTED = flat`</Timestamp><Author userType="software"><Name>Drumline</Name></Author>${SOFTWARE}<Action>converted</Action><Reason>written from the result bundle received at this time</Reason><Comment>bundle SHA-256 `;

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
