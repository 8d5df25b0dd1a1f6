import type { BundleHistoryRule } from '../rule.js';

export const epochChanged: BundleHistoryRule = {
  info: {
    code: 'epoch-changed',
    severity: 'remark',
    scope: 'bundle',
    needs: 'history',
    meaning: "The instrument's run counter started again.",
    advice:
      'Nothing shows whether the earlier count went on after its last known run: have the reset, repair or loan and its last run confirmed in writing.',
  },
  find: ({ examination, facts }) => {
    const { runEpoch } = examination.header;
    const { instrument } = facts;
    if (runEpoch === null || instrument === null || runEpoch <= instrument.epoch) return [];
    const message = `epoch ${runEpoch} after epoch ${instrument.epoch}, whose last known run is ${instrument.lastRun}`;
    return [{ pointer: '/runs/epoch', message }];
  },
};
