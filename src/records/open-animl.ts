import { littleEndianBytes } from '../formats/float-array.js';
import type { OpenSpectrum } from '../formats/open-spectrum.js';
import { NAMES } from './animl-layout.js';
import { unitElement } from './animl-units.js';
import { ANIML_NAMESPACE, ANIML_VERSION, exactText, tokenOf } from './animl-writer.js';

/** Category of the texts beside a spectrum, each in the form of `held-text.ts`. */
export const NOTES = 'Notes';

/**
 * A spectrum alone as an AnIML core 0.90 document: one step without technique, sample or audit trail, since
 * nothing is known of them. Its texts stand as parameters of one category. The same input gives the same bytes.
 */
export function writeOpenAniml({
  title,
  axis,
  intensity,
  intensityUnit,
  notes,
}: OpenSpectrum): string {
  const unit = `<Unit label="${tokenOf(intensityUnit, 'arbitrary')}"/>`;
  const parameters = notes.map(
    ({ name, text }) =>
      `<Parameter name="${tokenOf(name.replace(/^Notes \/ /, ''), 'note')}" parameterType="String"><S>${exactText(text)}</S></Parameter>`,
  );
  const category =
    parameters.length === 0 ? '' : `<Category name="${NOTES}">${parameters.join('')}</Category>`;
  return (
    `<?xml version="1.0" encoding="UTF-8"?>\n<AnIML xmlns="${ANIML_NAMESPACE}" version="${ANIML_VERSION}">` +
    `<ExperimentStepSet><ExperimentStep name="${tokenOf(title, 'Raman spectrum')}" experimentStepID="spectrum">` +
    `<Result name="Spectrum"><SeriesSet name="${NAMES.seriesSet}" length="${axis.length}">` +
    series(NAMES.shift, 'independent', 'shift', axis, unitElement('wavenumber', true)) +
    series(NAMES.intensity, 'dependent', 'intensity', intensity, unit) +
    `</SeriesSet>${category}</Result></ExperimentStep></ExperimentStepSet></AnIML>\n`
  );
}

function series(
  name: string,
  dependency: string,
  id: string,
  values: Float64Array | Float32Array,
  unit: string,
): string {
  const type = values instanceof Float32Array ? 'Float32' : 'Float64';
  return (
    `<Series name="${name}" dependency="${dependency}" seriesID="${id}" seriesType="${type}">` +
    `<EncodedValueSet startIndex="0" endIndex="${values.length - 1}">${littleEndianBytes(values).toString('base64')}</EncodedValueSet>${unit}</Series>`
  );
}
