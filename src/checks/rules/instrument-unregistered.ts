import type { BundleRule } from '../rule.js';

export const instrumentUnregistered: BundleRule = {
  info: {
    code: 'instrument-unregistered',
    severity: 'hold',
    scope: 'bundle',
    needs: 'site',
    meaning: 'The instrument is not registered at the site.',
    advice:
      'Find out which instrument this is; register it in the site folder once it is qualified.',
  },
  find: ({ document, instrument }) =>
    instrument !== null
      ? []
      : [
          {
            pointer: '/instrument/serial',
            message: `the site folder has no instrument ${document.instrument.serial}`,
          },
        ],
};
