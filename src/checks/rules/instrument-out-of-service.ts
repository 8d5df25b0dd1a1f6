import type { BundleRule } from '../rule.js';

export const instrumentOutOfService: BundleRule = {
  info: {
    code: 'instrument-out-of-service',
    severity: 'hold',
    scope: 'bundle',
    needs: 'site',
    meaning: 'The instrument is registered as out of service.',
    advice:
      'Find out who measured with it; measure the containers again with an instrument in service.',
  },
  find: ({ instrument }) =>
    instrument === null || instrument.inService
      ? []
      : [
          {
            pointer: '/instrument/serial',
            message: `${instrument.serial} is registered as out of service`,
          },
        ],
};
