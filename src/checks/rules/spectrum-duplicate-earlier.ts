import { isOtherContainer, scannedContainer } from '../bundle-traces.js';
import { spectrumDigestsOf } from '../examination.js';
import type { ResultHistoryCase, ResultHistoryRule } from '../rule.js';
import type { KnownMeasurement } from '../sense-facts.js';

/** As `spectrum-duplicate`, across bundles and instruments; `spectrum-duplicate-later` is on the other of the two. */
export const spectrumDuplicateEarlier: ResultHistoryRule = {
  info: {
    code: 'spectrum-duplicate-earlier',
    severity: 'hold',
    scope: 'result',
    needs: 'history',
    meaning:
      'Another container, of this or another instrument, has the same spectrum: the same intensities, value for value, whatever its axis says.',
    advice:
      'One container was measured twice, or a file was copied: nobody can say which. Measure both again; the earlier one is held too.',
  },
  find: (about) => {
    const sha256 = about.examined.spectrum?.sha256 ?? '';
    const [other] = sameSpectrum(about, () => false);
    if (other === undefined) return [];
    return [
      {
        pointer: '/spectrum',
        message: `the same intensities as result ${other.resultId} of ${other.instrument ?? 'an unknown instrument'} (receipt ${other.receiptScanned}, container ${other.containerScanned})`,
        numbers: { sha256 },
      },
    ];
  },
};

/** Earlier results of other containers with the spectrum of this one, each once. */
export function* sameSpectrum(
  { examined, sense, standing }: ResultHistoryCase,
  isKnown: (rowId: string) => boolean,
): Generator<KnownMeasurement> {
  const { reading, spectrum } = examined;
  if (spectrum === null || standing !== 'new') return;
  const own = scannedContainer(reading.receiptScanned, reading.containerScanned);
  const { sha256, intensitySha256 } = spectrumDigestsOf(examined);
  const same = [sha256, intensitySha256].flatMap((digest) =>
    digest === null ? [] : (sense.spectra.get(digest) ?? []),
  );
  for (const [rowId, known] of new Map(same.map((row) => [row.rowId, row]))) {
    if (isKnown(rowId)) continue;
    const there = scannedContainer(known.receiptScanned, known.containerScanned);
    if (isOtherContainer(own, there)) yield known;
  }
}
