import type { RuleInfo } from '../rule.js';

/** Found when the bundle with the second failed check is settled, or the result itself behind it (rule 13). */
export const performanceFailedTwice: RuleInfo = {
  code: 'performance-failed-twice',
  severity: 'hold',
  scope: 'result',
  needs: 'history',
  meaning:
    'The instrument failed a performance check, and failed it again before it passed: what it measured between the passing checks around them is held, also when it had been accepted, and withdrawn where it was sent.',
  advice:
    'Refuse the result and measure the container again with an instrument whose checks pass. What speaks against its receipt counts on.',
};
