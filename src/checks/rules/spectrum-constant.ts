import type { ResultRule } from '../rule.js';

export const spectrumConstant: ResultRule = {
  info: {
    code: 'spectrum-constant',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning: 'All intensities of the spectrum are equal: nothing was measured.',
    advice: 'Check shutter, laser and detector, make a performance check, and measure again.',
  },
  find: ({ spectrum }) => {
    if (spectrum.kind !== 'read') return [];
    const { intensity } = spectrum.values;
    const first = intensity[0];
    for (let i = 1; i < intensity.length; i++) if (intensity[i] !== first) return [];
    const message = `all ${intensity.length} intensities are ${first}`;
    return [{ pointer: '/spectrum/intensity', message }];
  },
};
