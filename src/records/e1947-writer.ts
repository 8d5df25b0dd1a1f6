import type { SpectrumValues } from '../checks/spectrum-values.js';
import { canonicalDigest } from '../formats/canonical-json.js';
import { dateStamp } from '../formats/date-stamp.js';
import { parseTimestamp } from '../formats/instant.js';
import {
  type NetcdfAttribute,
  type NetcdfDimension,
  type NetcdfFile,
  type NetcdfVariable,
  textAttribute,
} from '../formats/netcdf.js';
import { writeNetcdf } from '../formats/netcdf-writer.js';
import { textsOfRecord } from './record-texts.js';
import type { ResultRecord } from './result-record.js';

/** Changes whenever the bytes written for one record change; stored beside the artefact's digest. */
export const E1947_WRITER_VERSION = '1.0';

export const E1947_PROFILE = 'E1947-style Raman identity record 1.0';
export const E1947_NOTE =
  'Not ANDI chromatography: retention axis and injection are absent by design';
/** Names of the record's own texts begin with this, so that none is taken for one of the standard's. */
export const RECORD_PREFIX = 'record_';

/** Lengths of the standard's text dimensions. */
const TEXT_LENGTHS = [2, 4, 8, 16, 32, 64, 128, 255];

/**
 * Writes a record with its spectrum as netCDF classic in the manner of ASTM E1947. Names of the standard stand
 * only where their meaning is unchanged; what a Raman identity test has besides is an extension with a name of
 * its own. Ordinates are float32, as the standard has them: where they were reported wider they are rounded,
 * and `ordinate_values:as_reported` says so; the exact values stand in the AnIML document of the same record,
 * which `record_sha256` identifies. The same input gives the same bytes.
 *
 * @throws RangeError when the values do not belong to the record
 */
export function writeE1947(record: ResultRecord, values: SpectrumValues): Uint8Array {
  const points = values.axis.length;
  if (record.spectrum?.points !== points || values.intensity.length !== points) {
    throw new RangeError(
      `the record says ${record.spectrum?.points} points, the values are ${points}`,
    );
  }
  return writeNetcdf({
    dimensions: dimensionsOf(points),
    attributes: [...standardAttributes(record), ...recordAttributes(record)],
    variables: variablesOf(record, values),
  } satisfies NetcdfFile);
}

function dimensionsOf(points: number): readonly NetcdfDimension[] {
  const texts = TEXT_LENGTHS.map((length) => ({ name: `_${length}_byte_string`, length }));
  return [...texts, { name: 'point_number', length: points }];
}

/** The attributes that other software knows, made from the record. */
export function standardAttributes(record: ResultRecord): readonly NetcdfAttribute[] {
  const { bundle, operator, method, instrument, container, material, spectrum } = record;
  const texts: readonly (readonly [string, string | null])[] = [
    ['dataset_completeness', 'C1'],
    ['aia_template_revision', '1.0'],
    ['netcdf_revision', 'classic format'],
    ['languages', 'English'],
    ['record_profile', E1947_PROFILE],
    ['conformance_note', E1947_NOTE],
    ['text_encoding', 'UTF-8'],
    ['dataset_origin', record.site],
    ['dataset_date_time_stamp', stampOf(bundle.receivedAt)],
    ['acquisition_date_time_stamp', stampOf(record.measuredAt.reported)],
    ['experiment_title', 'Raman identity test'],
    ['operator_name', operator.name ?? operator.id],
    ['experiment_technique', 'raman'],
    ['company_method_name', method.id],
    ['source_file_reference', `bundle ${bundle.bundleId}`],
    ['sample_id', container?.scanned ?? null],
    ['sample_name', material],
    ['detector_name', instrument.serial],
    ['detector_unit', spectrum?.intensityUnit ?? null],
    ['raw_data_table_name', record.resultId],
  ];
  return texts.flatMap(([name, text]) => (text === null ? [] : [textAttribute(name, plain(text))]));
}

/** The whole record, digits and all, and its digest. */
function recordAttributes(record: ResultRecord): readonly NetcdfAttribute[] {
  const texts = textsOfRecord(record).flatMap(({ name, text }) =>
    text === null ? [] : [textAttribute(`${RECORD_PREFIX}${name}`, text)],
  );
  return [...texts, textAttribute(`${RECORD_PREFIX}sha256`, canonicalDigest(record))];
}

function variablesOf(record: ResultRecord, values: SpectrumValues): readonly NetcdfVariable[] {
  const { axis, intensity, even } = values;
  const { acquisition, instrument } = record;
  const isExact = intensity instanceof Float32Array;
  const seconds = acquisition.integrationTimeMs;
  return [
    ...(even === null
      ? []
      : [
          scalar('raman_shift_start', Number(even.start), 'cm-1', even.start),
          scalar('raman_shift_interval', Number(even.step), 'cm-1', even.step),
        ]),
    {
      name: 'raman_shift_values',
      dimensions: ['point_number'],
      attributes: [textAttribute('units', 'cm-1')],
      type: 'double',
      values: Float64Array.from(axis),
    },
    {
      name: 'ordinate_values',
      dimensions: ['point_number'],
      attributes: [
        textAttribute('uniform_sampling_flag', even === null ? 'N' : 'Y'),
        textAttribute('as_reported', isExact ? 'float32, exact' : 'float64, rounded to float32'),
      ],
      type: 'float',
      values: isExact ? intensity : Float32Array.from(intensity),
    },
    scalar('excitation_wavelength', Number(instrument.laserWavelengthNm), 'nm'),
    ...(seconds === undefined || seconds === null
      ? []
      : [scalar('integration_time', Number(seconds) / 1000, 's')]),
  ];
}

function scalar(name: string, value: number, units: string, asReported?: string): NetcdfVariable {
  const reported = asReported === undefined ? [] : [textAttribute('as_reported', asReported)];
  const attributes = [textAttribute('units', units), ...reported];
  return { name, dimensions: [], attributes, type: 'double', values: Float64Array.of(value) };
}

/** Whole seconds, as the stamp has it; the exact time stands in the record's own attributes. */
function stampOf(timestamp: string): string | null {
  const parsed = parseTimestamp(timestamp);
  return parsed && dateStamp(parsed);
}

/** For people and other software: readers cut texts at NUL, so controls become blanks here. */
function plain(text: string): string {
  return text.replace(/\p{Cc}+/gu, ' ');
}
