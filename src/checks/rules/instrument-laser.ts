import { compareDecimals } from '../../formats/decimal.js';
import type { BundleRule } from '../rule.js';

export const instrumentLaser: BundleRule = {
  info: {
    code: 'instrument-laser',
    severity: 'hold',
    scope: 'bundle',
    needs: 'site',
    meaning: 'The laser wavelength is not the registered one.',
    advice:
      'A wavelength that is off moves every band: have the instrument checked, or correct the registration after a repair.',
  },
  find: ({ document, instrument }) => {
    const found = document.instrument.laserWavelengthNm;
    if (instrument === null || compareDecimals(instrument.laserWavelengthNm, found) === 0)
      return [];
    const message = `registered with ${instrument.laserWavelengthNm} nm, found ${found} nm`;
    return [{ pointer: '/instrument/laserWavelengthNm', message }];
  },
};
