import type { BundleHistoryRule } from '../rule.js';
import { runsInWords } from '../run-ranges.js';

/** Release-safety rule 10. The discrepancies it opens are `HistoryAnswer.gaps`. */
export const runGap: BundleHistoryRule = {
  info: {
    code: 'run-gap',
    severity: 'remark',
    scope: 'bundle',
    needs: 'history',
    meaning: 'Runs of the instrument are in no bundle.',
    advice:
      'What was measured there is unknown and may be bad news: have the sync PC send the bundle that is missing. Receipts it could belong to stay open.',
  },
  find: ({ newGaps }) =>
    newGaps.map((gap) => ({
      pointer: '/runs',
      message: `${runsInWords(gap)} of epoch ${gap.epoch}: in no bundle so far`,
      numbers: { epoch: String(gap.epoch), from: String(gap.from), to: String(gap.to) },
    })),
};
