import { approvedFor, isApproved, measuredSpan } from '../../site/method-force.js';
import type { ResultHistoryRule } from '../rule.js';
import { findMethod } from '../site-index.js';

/** Release-safety rule 3: approved for what ERP expects, not for what the operator picked. */
export const methodNotApproved: ResultHistoryRule = {
  info: {
    code: 'method-not-approved',
    severity: 'hold',
    scope: 'result',
    needs: 'history',
    meaning: 'The method is not approved for the material that the receipt expects.',
    advice: 'Measure again with a method approved for that material.',
  },
  find: ({ examined, receipt, site }) => {
    const { methodId, methodVersion } = examined.reading;
    const expected = receipt?.material ?? null;
    if (expected === null || methodId === null || methodVersion === null) return [];
    const method = findMethod(site, methodId, methodVersion);
    if (method === null) return [];
    const { measuredAt } = examined.reading;
    const { measuredAt: reported = null, timeSource = null } = examined.result ?? {};
    const span = measuredAt && measuredSpan(measuredAt, reported, timeSource);
    if (isApproved(method, expected, span)) return [];
    const message = `${method.id} is approved for ${approvedFor(method, span)}; receipt ${receipt?.receiptId} is of ${expected}`;
    return [{ pointer: '/method', message }];
  },
};
