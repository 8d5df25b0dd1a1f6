import type { SpectrumValues } from '../checks/spectrum-values.js';
import { canonicalDigest } from '../formats/canonical-json.js';
import { isDecimal } from '../formats/decimal.js';
import { type NetcdfFile, type NetcdfVariable, netcdfText } from '../formats/netcdf.js';
import { readNetcdf } from '../formats/netcdf-reader.js';
import {
  isWavenumber,
  type OpenFault,
  type OpenRead,
  spectrumFault,
} from '../formats/open-spectrum.js';
import { E1947_PROFILE, RECORD_PREFIX, standardAttributes } from './e1947-writer.js';
import { recordOfTexts } from './record-texts.js';
import { valuesOfRecord } from './record-values.js';
import type { ResultRecord } from './result-record.js';

export interface E1947Content {
  readonly record: ResultRecord;
  readonly values: SpectrumValues;
  /** False when the ordinates were reported wider than float32 and were changed by rounding them. */
  readonly isExact: boolean;
}

export type E1947Read =
  | { readonly ok: true; readonly content: E1947Content }
  | { readonly ok: false; readonly faults: readonly OpenFault[] };

/**
 * Reads a file that `writeE1947` wrote: the same record, verified by its digest, and the values, verified by
 * the record's digest of them where float32 holds them. Refused, as a value: bytes that are no netCDF classic,
 * another profile, a record text that is missing or outside its vocabulary, a record or values with another
 * digest than the file says.
 */
export function readE1947(bytes: Uint8Array): E1947Read {
  const read = readNetcdf(bytes);
  if (!read.ok) {
    const { offset, at, message } = read.fault;
    return refused([{ at: at === '' ? `byte ${offset}` : at, message }]);
  }
  const { file } = read;
  const profile = globalText(file, 'record_profile');
  if (profile !== E1947_PROFILE) {
    const message = `expected ${E1947_PROFILE}, found ${profile === null ? 'none' : JSON.stringify(profile)}`;
    return refused([{ at: 'record_profile', message }]);
  }
  const put = recordOfTexts((name) => globalText(file, `${RECORD_PREFIX}${name}`));
  if (!put.ok) {
    return refused(
      put.faults.map(({ name, message }) => ({ at: `${RECORD_PREFIX}${name}`, message })),
    );
  }
  const { record } = put;
  const digest = canonicalDigest(record);
  const declared = globalText(file, `${RECORD_PREFIX}sha256`);
  if (declared !== digest) {
    return refused([{ at: 'record_sha256', message: `expected ${digest}, found ${declared}` }]);
  }
  const other = standardAttributes(record).find(
    (attribute) => globalText(file, attribute.name) !== netcdfText(attribute),
  );
  if (other !== undefined) {
    const message = `expected ${JSON.stringify(netcdfText(other))} as the record says`;
    return refused([{ at: other.name, message }]);
  }
  return valuesOf(file, record);
}

function valuesOf(file: NetcdfFile, record: ResultRecord): E1947Read {
  const axis = doubles(file, 'raman_shift_values');
  const ordinates = variable(file, 'ordinate_values');
  const summary = record.spectrum;
  if (axis === null || ordinates === null || !(ordinates.values instanceof Float32Array)) {
    return refused([{ at: 'ordinate_values', message: 'expected float ordinates and their axis' }]);
  }
  if (summary === null) {
    return refused([
      { at: 'record_spectrum_points', message: 'expected a record with a spectrum' },
    ]);
  }
  const even = evenOf(file);
  if (even === 'broken') {
    return refused([{ at: 'raman_shift_start', message: 'expected a decimal as reported' }]);
  }
  const intensity = ordinates.values;
  if (axis.length !== summary.points || intensity.length !== summary.points) {
    const message = `expected ${summary.points} points as the record says, found ${intensity.length}`;
    return refused([{ at: 'ordinate_values', message }]);
  }
  const read = valuesOfRecord(summary, axis, intensity, even);
  if (read.ok) return { ok: true, content: { record, values: read.values, isExact: true } };
  // Rounded ordinates cannot have the digest of those that were reported.
  if (summary.intensityWidth === 'float32') {
    return refused([{ at: 'ordinate_values', message: read.message }]);
  }
  const values: SpectrumValues = {
    axis: summary.axisWidth === 'float32' ? Float32Array.from(axis) : axis,
    intensity,
    even,
    intensityUnit: summary.intensityUnit,
  };
  return { ok: true, content: { record, values, isExact: false } };
}

function evenOf(file: NetcdfFile): SpectrumValues['even'] | 'broken' {
  const asReported = (name: string) => {
    const attributes = variable(file, name)?.attributes ?? [];
    const found = attributes.find((attribute) => attribute.name === 'as_reported');
    return found === undefined ? null : netcdfText(found);
  };
  const start = asReported('raman_shift_start');
  const step = asReported('raman_shift_interval');
  if (start === null && step === null) return null;
  return start !== null && step !== null && isDecimal(start) && isDecimal(step)
    ? { start, step }
    : 'broken';
}

/**
 * Reads the spectrum of any netCDF classic file that has Raman shifts and ordinates under the names that
 * `writeE1947` uses. A chromatogram has a time axis and is refused as one. Texts may end in NULs, and the
 * plural spellings that files in the field have are understood.
 */
export function readOpenE1947(bytes: Uint8Array): OpenRead {
  const read = readNetcdf(bytes);
  if (!read.ok) {
    const { offset, at, message } = read.fault;
    return { ok: false, fault: { at: at === '' ? `byte ${offset}` : at, message } };
  }
  const { file } = read;
  const refuse = (at: string, message: string): OpenRead => ({ ok: false, fault: { at, message } });
  if (globalText(file, 'retention_unit') ?? globalText(file, 'retention_units')) {
    return refuse('retention_unit', 'found a chromatogram, expected a Raman spectrum');
  }
  const ordinates = variable(file, 'ordinate_values');
  const shifts = variable(file, 'raman_shift_values');
  const axis =
    shifts === null ? evenAxis(file, ordinates?.values.length ?? 0) : numbersOf(shifts.values);
  if (ordinates === null || axis === null) {
    return refuse('', 'expected the variables raman_shift_values and ordinate_values');
  }
  const declared = shifts === null ? ['raman_shift_start', 'raman_shift_interval'] : [shifts.name];
  for (const name of declared) {
    const units = variable(file, name)?.attributes.find((attribute) => attribute.name === 'units');
    const unit = units === undefined ? 'cm-1' : (netcdfText(units) ?? '');
    if (!isWavenumber(unit)) return refuse(`${name}:units`, `expected cm-1, found ${unit}`);
  }
  for (const of of [shifts, ordinates]) {
    const unmeasured = of === null ? null : notAsItStands(of);
    if (of !== null && unmeasured !== null) return refuse(of.name, unmeasured);
  }
  if (ordinates.type === 'char') return refuse('ordinate_values', 'expected numbers, found text');
  const intensity =
    ordinates.values instanceof Float32Array
      ? ordinates.values
      : Float64Array.from(ordinates.values);
  const fault = spectrumFault(axis, intensity);
  if (fault !== null) return refuse('ordinate_values', fault);
  const notes = file.attributes.flatMap((attribute) => {
    const text = netcdfText(attribute);
    return text === null || text === '' ? [] : [{ name: attribute.name, text }];
  });
  const title = globalText(file, 'experiment_title') ?? globalText(file, 'sample_name') ?? '';
  const intensityUnit =
    globalText(file, 'detector_unit') ?? globalText(file, 'detector_units') ?? 'arbitrary';
  return { ok: true, spectra: [{ title, axis, intensity, intensityUnit, notes }] };
}

/** Neither text nor whole numbers stand for shifts. */
function numbersOf(values: NetcdfVariable['values']): Float64Array | null {
  if (values instanceof Float64Array) return values;
  return values instanceof Float32Array ? Float64Array.from(values) : null;
}

/** The null of E1947, and what stands in a float or double that nobody wrote (0x7CF00000, Unidata's file format). */
const NULLS: readonly number[] = [-9999, 9.969209968386869e36];

/**
 * Why the numbers of a variable are not the measured ones: packed by scale_factor and add_offset, or holes, as the
 * attribute conventions of the netCDF Users Guide have them. null when they are. A variable of ours has no holes.
 */
function notAsItStands({ attributes, values }: NetcdfVariable): string | null {
  const of = (name: string) => attributes.find((one) => one.name === name)?.values;
  for (const [name, nothing] of [
    ['scale_factor', 1],
    ['add_offset', 0],
  ] as const) {
    const [found] = of(name) ?? [];
    if (found !== undefined && found !== nothing) {
      return `expected numbers as they were measured, found ${name} ${found}`;
    }
  }
  const isOurs = of('as_reported') !== undefined;
  const holes = new Set([
    ...(isOurs ? [] : NULLS),
    ...(of('_FillValue') ?? []),
    ...(of('missing_value') ?? []),
  ]);
  const at = values.findIndex((value) => holes.has(value));
  return at === -1 ? null : `expected a measured number at point ${at}, found ${values[at]}`;
}

function evenAxis(file: NetcdfFile, points: number): Float64Array | null {
  const [start] = doubles(file, 'raman_shift_start') ?? [];
  const [step] = doubles(file, 'raman_shift_interval') ?? [];
  if (start === undefined || step === undefined) return null;
  return Float64Array.from({ length: points }, (_, i) => start + i * step);
}

function variable(file: NetcdfFile, name: string): NetcdfVariable | null {
  return file.variables.find((one) => one.name === name) ?? null;
}

function doubles(file: NetcdfFile, name: string): Float64Array | null {
  const found = variable(file, name)?.values;
  return found instanceof Float64Array ? found : null;
}

function globalText(file: NetcdfFile, name: string): string | null {
  const attribute = file.attributes.find((one) => one.name === name);
  return attribute === undefined ? null : netcdfText(attribute);
}

function refused(faults: readonly OpenFault[]): E1947Read {
  return { ok: false, faults };
}
