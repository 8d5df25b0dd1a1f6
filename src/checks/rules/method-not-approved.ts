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
    if (method.approvals.some((approval) => approval.material === expected)) return [];
    const approved = method.approvals.map((approval) => approval.material).join(', ') || 'none';
    const message = `${method.id} is approved for ${approved}; receipt ${receipt?.receiptId} is of ${expected}`;
    return [{ pointer: '/method', message }];
  },
};
