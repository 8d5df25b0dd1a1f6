import { isOtherContainer, scannedContainer } from '../bundle-traces.js';
import type { ResultHistoryRule } from '../rule.js';

/** As `spectrum-duplicate`, across bundles and instruments. */
export const spectrumDuplicateEarlier: ResultHistoryRule = {
  info: {
    code: 'spectrum-duplicate-earlier',
    severity: 'hold',
    scope: 'result',
    needs: 'history',
    meaning: 'Another container, of this or another instrument, has the same spectrum.',
    advice:
      'One container was measured twice, or a file was copied: nobody can say which. Measure both again, the earlier one too.',
  },
  find: ({ examined, sense, standing }) => {
    const { reading, spectrum } = examined;
    if (spectrum === null || standing !== 'new') return [];
    const own = scannedContainer(reading.receiptScanned, reading.containerScanned);
    const other = (sense.spectra.get(spectrum.sha256) ?? []).find((known) =>
      isOtherContainer(own, scannedContainer(known.receiptScanned, known.containerScanned)),
    );
    if (other === undefined) return [];
    return [
      {
        pointer: '/spectrum',
        message: `the same values as result ${other.resultId} of ${other.instrument ?? 'an unknown instrument'} (receipt ${other.receiptScanned}, container ${other.containerScanned})`,
        numbers: { sha256: spectrum.sha256 },
      },
    ];
  },
};
