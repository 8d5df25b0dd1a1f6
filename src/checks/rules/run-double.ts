import type { ResultRule } from '../rule.js';

export const runDouble: ResultRule = {
  info: {
    code: 'run-double',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning: 'The bundle holds two entries of one run number.',
    advice: 'One run is one measurement: find out at the instrument what the second entry is.',
  },
  find: ({ bundle, result }) => {
    const times = bundle.runCounts.get(result.runNumber) ?? 0;
    if (times < 2) return [];
    const message = `run number ${result.runNumber} stands ${times} times in the bundle`;
    return [{ pointer: '/runNumber', message }];
  },
};
