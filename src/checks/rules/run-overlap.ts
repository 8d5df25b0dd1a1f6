import type { ResultHistoryRule } from '../rule.js';

export const runOverlap: ResultHistoryRule = {
  info: {
    code: 'run-overlap',
    severity: 'hold',
    scope: 'result',
    needs: 'history',
    meaning: 'The run number was accounted for before, by something else.',
    advice:
      'One run is one measurement: find out at the instrument what its run counter did, and raise the epoch after a reset.',
  },
  find: ({ examined, isOverlap }) =>
    isOverlap
      ? [
          {
            pointer: '/runNumber',
            message: `run ${examined.reading.runNumber} was accounted for by an earlier bundle`,
          },
        ]
      : [],
};
