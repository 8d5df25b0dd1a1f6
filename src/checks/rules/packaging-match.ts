import { valuesPointer } from '../bundle-traces.js';
import type { ResultRule } from '../rule.js';

/** A match to the bag is a false result (spectra.md, "Noise and saturation"). */
export const packagingMatch: ResultRule = {
  info: {
    code: 'packaging-match',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The trace is that of a packaging: the wall was measured and not what is behind it.',
    advice: 'Focus on the material, or open the container by the local procedure; measure again.',
    limit: 'packaging[].scoreMin',
  },
  find: ({ result, signal }) =>
    (signal?.packagingScores ?? []).flatMap(({ of, score }) => {
      const limit = of.reference?.scoreMin;
      if (limit === undefined || score < Number(limit.value)) return [];
      return [
        {
          pointer: valuesPointer(result),
          message: `looks like ${of.name}: score ${score.toFixed(4)}, from ${limit.value} on it counts as that`,
          numbers: { found: score.toFixed(4), packaging: of.name },
          limit,
        },
      ];
    }),
};
