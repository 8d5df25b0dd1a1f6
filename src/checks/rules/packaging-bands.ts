import type { Decimal } from '../../formats/decimal.js';
import { valuesPointer } from '../bundle-traces.js';
import { referencePeaks } from '../reference-peaks.js';
import type { ResultRule } from '../rule.js';
import { hasPeakAt } from '../signal-peaks.js';

export const packagingBands: ResultRule = {
  info: {
    code: 'packaging-bands',
    severity: 'remark',
    scope: 'result',
    needs: 'site',
    meaning: 'The trace shows bands of a packaging beside those of the material.',
    advice:
      'Compare the trace with that of the empty packaging; focus behind the wall and measure again where the bands disturb the method.',
    limit: 'packaging[].bandsMin, with peaks.bandNoiseMultiple and bandToleranceCm1',
  },
  find: ({ limits, method, result, signal }) => {
    const { bandNoiseMultiple: multiple, bandToleranceCm1: tolerance } = limits?.all.peaks ?? {};
    const noise = signal?.roughNoise ?? null;
    if (limits === null || signal === null || noise === null) return [];
    if (multiple === undefined || tolerance === undefined) return [];
    const near = Number(tolerance.value);
    const peaks = signal.peaks.filter((p) => p.prominence >= Number(multiple.value) * noise);
    const own = referencePeaks(method);
    return limits.all.packaging.flatMap((packaging) => {
      const { bands, bandsMin, name, source } = packaging;
      if (bandsMin === null) return [];
      // What the material shows at the same place says nothing about the packaging.
      const seen = bands.filter(
        (band) => hasPeakAt(peaks, Number(band), near) && !hasPeakAt(own, Number(band), 2 * near),
      );
      if (seen.length < bandsMin) return [];
      return [
        {
          pointer: valuesPointer(result),
          message: `${seen.length} bands of ${name}, at ${seen.join(', ')} cm-1`,
          numbers: { found: String(seen.length), packaging: name, toleranceCm1: tolerance.value },
          limit: { value: String(bandsMin) as Decimal, source },
        },
      ];
    });
  },
};
