import type { ResultRule } from '../rule.js';

export const probeCoverShared: ResultRule = {
  info: {
    code: 'probe-cover-shared',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning:
      'One disposable cover of the immersion probe was in two materials of the bundle. Common practice, no source.',
    advice:
      'What stuck to the cover may be what was measured, and may be in the container now: tell the quality unit, and measure again with a new cover.',
  },
  find: ({ bundle, trace }) => {
    const same = trace.cover === null ? [] : (bundle.traces.byCover.get(trace.cover) ?? []);
    const other = same.find((t) => t.index !== trace.index && t.material !== trace.material);
    if (other === undefined) return [];
    const message = `the cover was in ${other.material ?? 'an unknown material'} too, result ${other.resultId}`;
    return [{ pointer: '/presentation/probeCover', message }];
  },
};
