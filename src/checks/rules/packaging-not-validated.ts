import type { Decimal } from '../../formats/decimal.js';
import { normaliseLabel } from '../../receipts/label.js';
import type { ResultRule } from '../rule.js';

export const packagingNotValidated: ResultRule = {
  info: {
    code: 'packaging-not-validated',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The method was not validated through what lay between instrument and material.',
    advice: 'Measure again as the method was validated, or have it validated for this packaging.',
    limit: 'methods[].packaging.validated',
  },
  find: ({ limits, result }) => {
    const packaging = limits?.method?.packaging;
    const { kind, between } = result.presentation;
    if (packaging === undefined) return [];
    const named = normaliseLabel(between ?? '');
    // Whatever the kind says: what is named lay between.
    if (named === '' && kind !== 'through-packaging') return [];
    const validated = packaging.validated.map(normaliseLabel);
    if (named !== '' && validated.includes(named)) return [];
    const list = packaging.validated.join('; ') || 'none';
    return [
      {
        pointer: between === undefined ? '/presentation' : '/presentation/between',
        message: `measured through ${named === '' ? 'what is not named' : between}, validated through: ${list}`,
        limit: { value: list as Decimal, source: packaging.source },
      },
    ];
  },
};
