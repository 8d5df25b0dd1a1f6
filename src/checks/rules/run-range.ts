import type { BundleRule, Found } from '../rule.js';

export const runRange: BundleRule = {
  info: {
    code: 'run-range',
    severity: 'hold',
    scope: 'bundle',
    needs: 'document',
    meaning: 'The declared first and last run do not fit the runs in the bundle.',
    advice:
      'Fetch the bundle from the instrument again; if it stays so, have its run counter looked at.',
  },
  find: ({ document, runCounts }) => {
    const { first, last } = document.runs;
    const runs = [...runCounts.keys()];
    const found: Found[] = [];
    if (first === null && runs.length > 0) {
      const message = `no first run is declared, found ${runs.length} runs`;
      found.push({ pointer: '/runs/first', message });
    }
    if (first !== null && first > last) {
      found.push({ pointer: '/runs', message: `first run ${first} lies behind last run ${last}` });
    }
    const outside = runs.filter((run) => first !== null && (run < first || run > last));
    if (outside.length > 0) {
      const message = `run ${Math.min(...outside.slice(0, 1000))} lies outside the declared ${first} to ${last}`;
      found.push({ pointer: '/runs', message });
    }
    return found;
  },
};
