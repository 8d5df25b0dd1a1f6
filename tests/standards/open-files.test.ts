import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import type { OpenSpectrum } from '../../src/formats/open-spectrum.js';
import { decodeOpenFile, detectFormat, type OpenFormat } from '../../src/records/open-file.js';
import { describeWithShared } from '../support/shared.js';

/** Files that others wrote (sources and licences in the README beside them), and the samples beside the standards. */
const FILES = [
  ['data/jcamp/adamantane_raman.jdx', 'jcamp', 1791, 3101.44043],
  ['standards/samples/raman-e1947-style.cdf', 'e1947', 4, 200],
  ['standards/samples/raman-minimal.animl', 'animl', 4, 200],
] as const satisfies readonly (readonly [string, OpenFormat, number, number])[];

describeWithShared('a conversion of a published file', (shared) => {
  const spectrumOf = (path: string, format: OpenFormat): OpenSpectrum => {
    const bytes = readFileSync(join(shared, path));
    expect(detectFormat(bytes).format).toBe(format);
    const decoded = decodeOpenFile(bytes, format);
    if (decoded.kind !== 'spectra') throw new Error(JSON.stringify(decoded));
    const [spectrum] = decoded.spectra;
    if (spectrum === undefined) throw new Error('no spectrum');
    return spectrum;
  };

  it.each(FILES)('has its spectrum: %s', (path, format, points, first) => {
    const { axis, intensity } = spectrumOf(path, format);
    expect(axis).toHaveLength(points);
    expect(intensity).toHaveLength(points);
    expect(axis[0]).toBe(first);
  });

  it('says what does not agree in it: the published adamantane names another maximum than it has', () => {
    const { notes } = spectrumOf('data/jcamp/adamantane_raman.jdx', 'jcamp');
    expect(notes).toContainEqual({
      name: '$DEVIATION 1',
      text: 'line 17: expected MAXY 21726, found 20518',
    });
  });
});
