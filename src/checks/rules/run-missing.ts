import type { BundleRule } from '../rule.js';
import { runsInWords } from '../run-ranges.js';

export const runMissing: BundleRule = {
  info: {
    code: 'run-missing',
    severity: 'remark',
    scope: 'bundle',
    needs: 'document',
    meaning: 'The bundle declares runs that it holds nothing for.',
    advice:
      'What was measured there is unknown and may be bad news: fetch those runs from the instrument. Receipts they could belong to stay open.',
  },
  find: ({ missing }) =>
    missing.map((range) => ({
      pointer: '/runs',
      message: `${runsInWords(range)} of epoch ${range.epoch}: declared, and nothing found`,
    })),
};
