/** Breaks a seed, decodes it, and writes what comes out in every format: one message in, one out. */
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { parentPort, workerData } from 'node:worker_threads';
import { mutated, randomOf } from './mutate.mjs';

const DIST = fileURLToPath(new URL('../../dist/', import.meta.url));
const built = (file) => import(join(DIST, file));
const { loadBundleSchema } = await built('checks/bundle-schema.files.js');
const { examineBundle } = await built('checks/examine-bundle.js');
const { SITE_OF_NOTHING } = await built('cli/convert-bundle.js');
const { decodeOpenFile, detectFormat, OPEN_FORMATS } = await built('records/open-file.js');
const { encodeOpenSpectrum, encodeRecord } = await built('records/encode-record.js');
const { readSpectrumTable } = await built('formats/spectrum-table.js');

const { seeds, seed } = workerData;
const files = seeds.map((one) => ({ ...one, bytes: Buffer.from(one.bytes) }));
const validateSchema = loadBundleSchema();
const NOW = 1_772_615_000_000_000;

parentPort.on('message', (run) => {
  const index = run % files.length;
  const bytes = mutated(files, index, randomOf(seed * 1_000_003 + run));
  const { name, format } = files[index];
  try {
    const refusals = decode(bytes, format);
    const unexplained = refusals.filter(({ at, message }) => !at || !message);
    parentPort.postMessage({ run, name, refused: refusals.length > 0, unexplained });
  } catch (error) {
    parentPort.postMessage({ run, name, crash: String(error?.stack ?? error) });
  }
});
parentPort.postMessage({ isReady: true });

function decode(bytes, format) {
  detectFormat(bytes);
  if (format === 'bundle') return decodeBundle(bytes);
  if (format === 'csv') readSpectrumTable(bytes.toString('utf8'), 10_000);
  const decoded = decodeOpenFile(bytes, format);
  if (decoded.kind === 'refused') return [...decoded.faults, ...pathsOf(decoded.findings)];
  for (const to of OPEN_FORMATS) {
    if (decoded.kind === 'records') for (const one of decoded.records) encodeRecord(one, to);
    else for (const one of decoded.spectra) encodeOpenSpectrum(one, to);
  }
  return [];
}

const pathsOf = (findings) => findings.map(({ path: at, message }) => ({ at, message }));

function decodeBundle(bytes) {
  const examination = examineBundle(bytes, SITE_OF_NOTHING, { now: NOW, validateSchema });
  const findings =
    examination.kind === 'unreadable' ? [examination.finding] : examination.bundleFindings;
  // The pointer of the document itself is empty: what is wrong there is about all of it.
  return findings.map(({ pointer, message }) => ({ at: pointer || 'the document', message }));
}
