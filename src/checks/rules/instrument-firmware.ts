import type { BundleRule } from '../rule.js';

export const instrumentFirmware: BundleRule = {
  info: {
    code: 'instrument-firmware',
    severity: 'remark',
    scope: 'bundle',
    needs: 'site',
    meaning: 'The instrument runs another firmware than registered.',
    advice:
      'Decide under change control whether it has to be qualified again, then update the registration.',
  },
  find: ({ document, instrument }) =>
    instrument === null || instrument.firmware === document.instrument.firmware
      ? []
      : [
          {
            pointer: '/instrument/firmware',
            message: `registered with ${instrument.firmware}, found ${document.instrument.firmware}`,
          },
        ],
};
