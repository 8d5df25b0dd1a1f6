import type { BundleRule } from '../rule.js';

export const instrumentModel: BundleRule = {
  info: {
    code: 'instrument-model',
    severity: 'hold',
    scope: 'bundle',
    needs: 'site',
    meaning: 'The instrument says it is of another model than registered under its serial.',
    advice: 'Look at the instrument and correct the registration or the serial; do not guess.',
  },
  find: ({ document, instrument }) =>
    instrument === null || instrument.model === document.instrument.model
      ? []
      : [
          {
            pointer: '/instrument/model',
            message: `registered as ${instrument.model}, found ${document.instrument.model}`,
          },
        ],
};
