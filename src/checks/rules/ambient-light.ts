import { valuesPointer } from '../bundle-traces.js';
import { referencePeaks } from '../reference-peaks.js';
import type { Found, ResultCase, ResultRule } from '../rule.js';
import { hasPeakAt } from '../signal-peaks.js';

const NM_PER_CM = 1e7;

export const ambientLight: ResultRule = {
  info: {
    code: 'ambient-light',
    severity: 'remark',
    scope: 'result',
    needs: 'site',
    meaning:
      'The result says that it was measured in a closed chamber, and the trace shows light from outside: lines of lamps, or a background that climbs as under daylight. Common practice, no source.',
    advice: 'Look at the lid and the seal of the chamber, and measure again with it closed.',
    limit: 'ambientLight.linesMin with lampLinesNm, and ambientLight.backgroundRiseMax',
  },
  find: (about) =>
    about.result.presentation.kind === 'closed-chamber'
      ? [...lampLines(about), ...slope(about)]
      : [],
};

/** Lamp lines are fixed in wavelength, so their shifts follow from the laser. */
function lampLines({ bundle, limits, method, result, signal }: ResultCase): readonly Found[] {
  const { lampLinesNm: lines, linesMin } = limits?.all.ambientLight ?? {};
  const { bandNoiseMultiple: multiple, bandToleranceCm1: tolerance } = limits?.all.peaks ?? {};
  const noise = signal?.roughNoise ?? null;
  if (lines === undefined || linesMin === undefined || multiple === undefined) return [];
  if (tolerance === undefined || signal === null || noise === null) return [];
  const near = Number(tolerance.value);
  const laser = Number(bundle.document.instrument.laserWavelengthNm);
  const peaks = signal.peaks.filter((p) => p.prominence >= Number(multiple.value) * noise);
  const own = referencePeaks(method);
  const seen = lines
    .map((nm) => ({ nm, shift: NM_PER_CM / laser - NM_PER_CM / Number(nm) }))
    .filter(({ shift }) => hasPeakAt(peaks, shift, near) && !hasPeakAt(own, shift, 2 * near));
  if (seen.length < Number(linesMin.value) || seen.length === 0) return [];
  const at = seen.map(({ nm, shift }) => `${nm} nm (${shift.toFixed(1)} cm-1)`).join(', ');
  return [
    {
      pointer: valuesPointer(result),
      message: `closed chamber, and ${seen.length} lamp lines: ${at}`,
      numbers: { found: String(seen.length), toleranceCm1: tolerance.value },
      limit: linesMin,
    },
  ];
}

function slope({ limits, result, signal }: ResultCase): readonly Found[] {
  const limit = limits?.all.ambientLight.backgroundRiseMax;
  const height = signal?.band?.height ?? 0;
  if (limit === undefined || signal === null || height <= 0) return [];
  const rise = Math.abs(signal.backgroundRise) / height;
  if (!(rise > Number(limit.value))) return [];
  return [
    {
      pointer: valuesPointer(result),
      message: `closed chamber, and the background changes by ${rise.toFixed(2)} heights of the band from end to end, expected at most ${limit.value}`,
      numbers: { found: rise.toFixed(2), height: height.toFixed(2) },
      limit,
    },
  ];
}
