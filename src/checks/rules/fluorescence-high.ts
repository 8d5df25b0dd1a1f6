import { valuesPointer } from '../bundle-traces.js';
import type { ResultRule } from '../rule.js';

export const fluorescenceHigh: ResultRule = {
  info: {
    code: 'fluorescence-high',
    severity: 'remark',
    scope: 'result',
    needs: 'site',
    meaning: 'The background below the strongest band swamps it: fluorescence, or stray light.',
    advice:
      'Photon noise of the background stays after it is subtracted: prefer a longer wavelength or another container wall, by the local procedure.',
    limit: 'methods[].backgroundToHeightMax',
  },
  find: ({ limits, result, signal }) => {
    const limit = limits?.method?.backgroundToHeightMax;
    const band = signal?.band ?? null;
    if (limit === undefined || band === null || band.height <= 0) return [];
    const ratio = band.background / band.height;
    if (!(ratio > Number(limit.value))) return [];
    return [
      {
        pointer: valuesPointer(result),
        message: `the background at ${band.shift} cm-1 is ${ratio.toFixed(2)} times as high as the band, expected at most ${limit.value}`,
        numbers: {
          found: ratio.toFixed(2),
          background: band.background.toFixed(2),
          height: band.height.toFixed(2),
        },
        limit,
      },
    ];
  },
};
