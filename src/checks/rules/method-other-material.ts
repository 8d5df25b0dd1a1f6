import { approvedFor, isApproved, measuredSpan } from '../../site/method-force.js';
import type { ResultRule } from '../rule.js';

export const methodOtherMaterial: ResultRule = {
  info: {
    code: 'method-other-material',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The method is not approved for the material the operator picked.',
    advice: 'Measure again with a method approved for the material on the label.',
  },
  find: ({ method, measuredAt, result }) => {
    const { material } = result;
    if (method === null || material === null) return [];
    const span =
      measuredAt && measuredSpan(measuredAt.instant, result.measuredAt, result.timeSource);
    if (isApproved(method, material, span)) return [];
    const message = `${method.id} is approved for ${approvedFor(method, span)}; the operator picked ${material}`;
    return [{ pointer: '/material', message }];
  },
};
