import type { ResultHistoryRule } from '../rule.js';

export const materialOther: ResultHistoryRule = {
  info: {
    code: 'material-other',
    severity: 'hold',
    scope: 'result',
    needs: 'history',
    meaning: 'The operator picked another material than the receipt is announced with.',
    advice:
      'Compare label, receipt and material on the spot; measure again as what the receipt expects.',
  },
  find: ({ examined, receipt }) => {
    const { material } = examined.reading;
    const expected = receipt?.material ?? null;
    if (material === null || expected === null || material === expected) return [];
    return [
      {
        pointer: '/material',
        message: `receipt ${receipt?.receiptId} is of ${expected}, the operator picked ${material}`,
      },
    ];
  },
};
