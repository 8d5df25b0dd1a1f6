import type { ResultHistoryRule } from '../rule.js';

export const receiptNotAnnounced: ResultHistoryRule = {
  info: {
    code: 'receipt-not-announced',
    severity: 'remark',
    scope: 'result',
    needs: 'history',
    meaning: 'Nobody has announced the receipt that was scanned.',
    advice: 'Enter the receipt in ERP, or correct its label; nothing can conform before.',
  },
  find: ({ examined, receipt }) => {
    const { receiptScanned } = examined.reading;
    if (receiptScanned === null || receipt?.announced === true) return [];
    return [
      { pointer: '/receipt/scanned', message: `no receipt is announced as ${receiptScanned}` },
    ];
  },
};
