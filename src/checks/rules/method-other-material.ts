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
  find: ({ method, result }) => {
    const { material } = result;
    if (method === null || material === null) return [];
    if (method.approvals.some((approval) => approval.material === material)) return [];
    const approved = method.approvals.map((approval) => approval.material).join(', ') || 'none';
    const message = `${method.id} is approved for ${approved}; the operator picked ${material}`;
    return [{ pointer: '/material', message }];
  },
};
