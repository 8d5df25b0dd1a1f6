import { holeIn, widestGap } from '../../formats/axis-hole.js';
import type { Found, ResultCase, ResultRule } from '../rule.js';

/**
 * Nothing is extrapolated, and nothing is invented between points that lie far apart: the whole range of the method has to
 * be measured. Where the site says what the instrument resolves, no two points lie further apart than that: a band would
 * fit between them.
 */
export const spectrumRange: ResultRule = {
  info: {
    code: 'spectrum-range',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The spectrum does not cover the range of the method, or has a hole in it.',
    advice: 'Measure again over the whole range with the registered settings.',
    limit: "the method's range in site.yaml; detectors[].resolutionCm1",
  },
  find: (about) => {
    const { method, spectrum } = about;
    if (method === null || spectrum.kind !== 'read') return [];
    const { axisFirst, axisLast } = spectrum.summary;
    const { from, to } = method.range;
    if (!(Number(axisFirst) <= Number(from) && Number(axisLast) >= Number(to))) {
      return [
        {
          pointer: POINTER,
          message: `expected ${from} to ${to} cm-1, found ${axisFirst} to ${axisLast} cm-1`,
          numbers: { from, to, axisFirst, axisLast },
        },
      ];
    }
    return holes(about, Number(from), Number(to));
  },
};

const POINTER = '/spectrum/axis';

function holes({ limits, spectrum }: ResultCase, from: number, to: number): readonly Found[] {
  if (spectrum.kind !== 'read') return [];
  const { axis } = spectrum.values;
  const expected = `expected points throughout ${from} to ${to} cm-1, found none between`;
  const hole = holeIn(axis, from, to);
  if (hole !== null) {
    const [after, before, spacing] = [hole.after, hole.before, hole.spacing].map(shown);
    return [
      {
        pointer: POINTER,
        message: `${expected} ${after} and ${before} cm-1 where they lie ${spacing} cm-1 apart`,
        numbers: { after, before, spacing } as Record<string, string>,
      },
    ];
  }
  const limit = limits?.detector?.resolutionCm1;
  const widest = limit === undefined ? null : widestGap(axis, from, to);
  if (limit === undefined || widest === null) return [];
  if (widest.before - widest.after <= Number(limit.value)) return [];
  const [after, before] = [widest.after, widest.before].map(shown);
  return [
    {
      pointer: POINTER,
      message: `${expected} ${after} and ${before} cm-1, which is more than the ${limit.value} cm-1 the instrument resolves`,
      numbers: { after, before } as Record<string, string>,
      limit,
    },
  ];
}

/** Places on an axis; a float32 has no more digits. */
function shown(cm1: number): string {
  return String(Number(cm1.toPrecision(7)));
}
