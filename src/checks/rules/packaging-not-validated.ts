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
    if (packaging === undefined || kind !== 'through-packaging') return [];
    const validated = packaging.validated.map(normaliseLabel);
    if (between !== undefined && validated.includes(normaliseLabel(between))) return [];
    const list = packaging.validated.join('; ') || 'none';
    return [
      {
        pointer: between === undefined ? '/presentation' : '/presentation/between',
        message: `${between === undefined ? 'measured through packaging that is not named' : `measured through ${between}`}, validated through: ${list}`,
        limit: { value: list as Decimal, source: packaging.source },
      },
    ];
  },
};
