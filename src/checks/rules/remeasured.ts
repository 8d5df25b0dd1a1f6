import type { RuleInfo } from '../rule.js';

/** What a series of measurements of one receipt shows; found when its bundle is settled, see `findInSeries`. */
export const remeasuredUntilPass: RuleInfo = {
  code: 'remeasured-until-pass',
  severity: 'remark',
  scope: 'result',
  needs: 'history',
  meaning:
    'The container passes here after a contrary attempt on it (fail, no match, inconclusive, aborted, on whichever instrument) whose cause nobody has signed. Its receipt does not conform, whichever of them came in first.',
  advice:
    'Do not measure again until it passes. A reviewer signs an assignable cause with its investigation number for each contrary attempt; without one the container stays contrary. The statement lists the whole series.',
};

export const containerDecisionsDiffer: RuleInfo = {
  code: 'container-decisions-differ',
  severity: 'remark',
  scope: 'result',
  needs: 'history',
  meaning: 'The container passed before, and this later measurement of it speaks against it.',
  advice:
    'Find out whether it is the same container and what is in it now. The contrary result counts; the earlier pass does not outweigh it.',
};

export const containersExceedDelivered: RuleInfo = {
  code: 'containers-exceed-delivered',
  severity: 'remark',
  scope: 'result',
  needs: 'history',
  meaning: 'More containers were measured of the receipt than were delivered.',
  advice:
    'Count again and compare the labels: a label of another receipt, one container under two labels, or a count that is wrong.',
  limit: 'the count at the dock; without one, the containers announced',
};

export const seriesRules: readonly RuleInfo[] = [
  remeasuredUntilPass,
  containerDecisionsDiffer,
  containersExceedDelivered,
];
