/** Small files of every form that is read from outside, made by our own writers. All simulated. */
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';

const DIST = fileURLToPath(new URL('../../dist/', import.meta.url));
const built = (file) => import(join(DIST, file));

const POINTS = 40;

export async function seedFiles() {
  const { assembleBundle, encodeSpectrum } = await built('checks/assemble-bundle.js');
  const { loadBundleSchema } = await built('checks/bundle-schema.files.js');
  const { examineBundle } = await built('checks/examine-bundle.js');
  const { convertBundle, SITE_OF_NOTHING } = await built('cli/convert-bundle.js');
  const { RAW_CSV } = await built('formats/csv.js');
  const { parseTimestamp } = await built('formats/instant.js');
  const { writeJcamp } = await built('formats/jcamp-writer.js');
  const { writeNetcdf } = await built('formats/netcdf-writer.js');
  const { readNetcdf } = await built('formats/netcdf-reader.js');
  const { encodeOpenSpectrum } = await built('records/encode-record.js');

  const axis = Float64Array.from({ length: POINTS }, (_, i) => 200 + i * 1.5);
  const intensity = Float64Array.from({ length: POINTS }, (_, i) => Math.round(900 * Math.sin(i)));
  const bundle = assembleBundle(bundleParts(encodeSpectrum(axis, intensity, 'float32'), intensity));
  const seeds = [{ name: 'bundle', format: 'bundle', bytes: Buffer.from(bundle.bytes) }];

  const { instant } = parseTimestamp('2026-03-04T09:20:00Z');
  const validateSchema = loadBundleSchema();
  const examination = examineBundle(bundle.bytes, SITE_OF_NOTHING, {
    now: instant,
    validateSchema,
  });
  if (examination.kind !== 'readable' || examination.document === null)
    throw new Error(`the seed bundle cannot be read: ${JSON.stringify(examination)}`);
  for (const format of ['animl', 'e1947', 'jcamp', 'csv']) {
    const options = { format, form: RAW_CSV, attach: 'jcamp', receivedAt: instant, hasSite: false };
    for (const { files } of convertBundle(examination, examination.document, options))
      for (const { name, bytes } of files)
        if (!name.endsWith('.jdx') || format === 'jcamp')
          seeds.push({ name, format, bytes: Buffer.from(bytes) });
    const alone = {
      title: 'a spectrum alone',
      axis,
      intensity,
      intensityUnit: 'counts',
      notes: [{ name: 'SAMPLE', text: 'foil' }],
    };
    const encoded = encodeOpenSpectrum(alone, format, RAW_CSV);
    for (const { content } of encoded.ok ? encoded.files : [])
      seeds.push({ name: `alone.${format}`, format, bytes: Buffer.from(content) });
  }

  const head = [
    ['DATA TYPE', 'RAMAN SPECTRUM'],
    ['XUNITS', '1/CM'],
    ['YUNITS', 'COUNTS'],
  ];
  const forms = ['affn', 'pac', 'sqz', 'dif', 'dif-dup'].map((form) => {
    const table = { kind: 'table', firstX: 200, lastX: 258.5, stored: intensity, yFactor: 1, form };
    return { title: form, records: head, data: table };
  });
  for (const one of forms)
    seeds.push({ name: one.title, format: 'jcamp', bytes: Buffer.from(writeJcamp('', [one])) });
  seeds.push({ name: 'link', format: 'jcamp', bytes: Buffer.from(writeJcamp('link', forms)) });

  const netcdf = readNetcdf(seeds.find(({ format }) => format === 'e1947').bytes);
  if (netcdf.ok)
    seeds.push({ name: 'cdf-2', format: 'e1947', bytes: Buffer.from(writeNetcdf(netcdf.file, 2)) });
  seeds.push({ name: 'single values', format: 'animl', bytes: Buffer.from(SINGLE_VALUES) });
  seeds.push({
    name: 'semicolons',
    format: 'csv',
    bytes: Buffer.from('\ufeffShift (cm-1);Counts (counts)\r\n200.5;1e3\r\n202;-2.25\r\n'),
  });
  return seeds;
}

const SINGLE_VALUES =
  '<?xml version="1.0"?><AnIML version="0.90"><ExperimentStepSet><ExperimentStep name="s" experimentStepID="s"><Result name="r"><SeriesSet name="set" length="4"><Series name="x" dependency="independent" seriesID="x" seriesType="Float64"><AutoIncrementedValueSet startIndex="0" endIndex="3"><StartValue><D>200</D></StartValue><Increment><D>1.5</D></Increment></AutoIncrementedValueSet><Unit label="1/cm"/></Series><Series name="y" dependency="dependent" seriesID="y" seriesType="Int32"><IndividualValueSet startIndex="2" endIndex="3"><I>7</I><I>8</I></IndividualValueSet><IndividualValueSet startIndex="0" endIndex="1"><I>5</I><I>6</I></IndividualValueSet></Series></SeriesSet></Result></ExperimentStep></ExperimentStepSet></AnIML>';

function bundleParts(spectrum, intensity) {
  const label = (scanned) => ({ scanned, entry: 'scanned' });
  const clock = '2026-03-04T09:18:00+00:00';
  const result = {
    runNumber: 17,
    resultId: 'NQ-R-0001:1:17',
    mode: 'verification',
    receipt: label('GR-2041/10'),
    container: label(']d2\u001d01'),
    material: 'NQ-1001',
    lot: 'L-55A',
    method: { id: 'ID-NQ-1001', version: '1' },
    operatorId: 'op-3',
    measuredAt: '2026-03-04T09:15:30.250+00:00',
    timeSource: 'instrument',
    place: 'dock',
    presentation: { kind: 'direct' },
    acquisition: { integrationTimeMs: '2500.0', accumulations: 3 },
    decision: 'pass',
    score: { algorithm: 'squared-correlation', value: '0.9870', threshold: '0.90' },
    candidates: [{ material: 'NQ-1001', score: '0.9870' }],
    spectrum: {
      ...spectrum,
      points: intensity.length,
      axis: { encoding: 'even', start: '200.0', step: '1.50' },
    },
    remarks: [{ name: 'note', text: 'lid dented' }],
    supersedes: null,
  };
  return {
    bundleId: 'b-fuzz',
    site: 'northquay',
    createdAt: clock,
    syncPc: { id: 'sync-1' },
    origin: 'simulated',
    environment: 'training',
    instrument: {
      serial: 'NQ-R-0001',
      model: 'Dockside R1 (simulated)',
      firmware: '1.4.2',
      laserWavelengthNm: '785.0',
    },
    runs: { epoch: 1, first: 17, last: 17 },
    previousBundle: null,
    clocks: { instrument: clock, syncPc: clock },
    timeZone: 'Europe/London',
    performanceChecks: [],
    methods: [{ id: 'ID-NQ-1001', version: '1', digest: 'b'.repeat(64) }],
    operators: [{ id: 'op-3', name: 'Operator Three (simulated)' }],
    results: [result],
    auditEvents: [],
  };
}
