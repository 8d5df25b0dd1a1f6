import { compareDecimals, type Decimal } from '../../formats/decimal.js';
import type { ResultRule } from '../rule.js';

export const acquisitionImpossible: ResultRule = {
  info: {
    code: 'acquisition-impossible',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning: 'A setting of the measurement has a value that no instrument can have measured with.',
    advice:
      'Fetch the result from the instrument again; if it stays so, have the sync software corrected.',
  },
  find: ({ result }) => {
    const { integrationTimeMs, laserPowerMw } = result.acquisition;
    const settings = { integrationTimeMs, laserPowerMw };
    return Object.entries(settings).flatMap(([name, value]) => {
      if (value === undefined || compareDecimals(value, '0' as Decimal) > 0) return [];
      const message = `expected ${name} above 0, found ${value}`;
      return [{ pointer: `/acquisition/${name}`, message, numbers: { [name]: value } }];
    });
  },
};
