// Writers and readers of the open formats, and what converting many files does to the event loop.
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { monitorEventLoopDelay } from 'node:perf_hooks';
import { DecodePool } from '../dist/cli/decode.pool.js';
import { writeOnce } from '../dist/cli/write-once.files.js';
import { RAW_CSV } from '../dist/formats/csv.js';
import { littleEndianBytes } from '../dist/formats/float-array.js';
import { writeAniml } from '../dist/records/animl-writer.js';
import { readE1947 } from '../dist/records/e1947-reader.js';
import { writeE1947 } from '../dist/records/e1947-writer.js';
import { readJcampRecord, writeJcampRecord } from '../dist/records/jcamp-record.js';
import { formatsRecord } from './formats-record.mjs';
import { limitRow, rowOf } from './rows.mjs';

/** Beside a bare copy of the two arrays there is no figure to reach: the ratio says what the form costs. */
export const FORMATS_ROWS = [
  { name: 'animl-write', unit: 'documents/s', target: 0.8 },
  { name: 'netcdf-write', unit: 'files/s', target: null },
  { name: 'netcdf-read', unit: 'files/s', target: null },
  { name: 'jcamp-write', unit: 'files/s', target: null },
  { name: 'jcamp-read', unit: 'files/s', target: null },
  { name: 'convert-loop-delay', unit: 'ms', limit: 25 },
];
const POINTS = 2_048;
const ROUNDS = { full: 7, quick: 2 };
const SLICE_MS = { full: 400, quick: 60 };
const FILES = { full: 1_000, quick: 60 };
const AT_ONCE = 4;
const RESOLUTION_MS = 1;

export async function formatsRows(wanted, options) {
  const mode = options.quick ? 'quick' : 'full';
  const rows = [];
  for (const row of wanted) {
    if (row.limit !== undefined) rows.push(await loopDelayRow(row, mode, options));
    else rows.push(speedRow(row, mode, options));
  }
  return rows;
}

function speedRow(row, mode, { say }) {
  const { work, baseline } = worksOf(row.name);
  const rounds = [];
  for (const one of [work, baseline]) perSecond(one, SLICE_MS[mode] / 4);
  for (let i = 0; i < ROUNDS[mode]; i++) {
    // Whoever comes second finds the caches warm: they take turns.
    const order = i % 2 === 0 ? [work, baseline] : [baseline, work];
    const found = new Map(order.map((one) => [one, perSecond(one, SLICE_MS[mode])]));
    rounds.push({ value: found.get(work), ceiling: found.get(baseline) });
  }
  say(`${row.name}: ${rounds.map(({ value }) => value.toFixed(0)).join(', ')} ${row.unit}`);
  return rowOf(row, rounds);
}

function perSecond(work, sliceMs) {
  const begin = performance.now();
  let times = 0;
  let size = 0;
  while (performance.now() - begin < sliceMs) {
    for (let i = 0; i < 10; i++) size += work();
    times += 10;
  }
  if (size === 0) throw new Error('the work gave nothing');
  return (times * 1_000) / (performance.now() - begin);
}

function worksOf(name) {
  const { record, values } = formatsRecord(POINTS, 1);
  const copy = () => {
    const axis = values.axis.slice();
    return axis.length + values.intensity.slice().length;
  };
  const netcdf = writeE1947(record, values);
  const jcamp = Buffer.from(writeJcampRecord(record, values));
  const works = {
    'animl-write': () => Buffer.from(writeAniml(record, values), 'utf8').length,
    'netcdf-write': () => writeE1947(record, values).length,
    'netcdf-read': () => (readE1947(netcdf).ok ? 1 : 0),
    'jcamp-write': () => writeJcampRecord(record, values).length,
    'jcamp-read': () => (readJcampRecord(jcamp).ok ? 1 : 0),
  };
  const work = works[name];
  return { work, baseline: name === 'animl-write' ? concatenation(record, values) : copy };
}

/** The same document out of its pieces: the base64 is encoded anew, every text is put between its markup. */
function concatenation(record, values) {
  const document = writeAniml(record, values);
  const pieces = document.split(/(?<=>)(?=[^<])|(?<=[^>])(?=<)/);
  const series = [values.axis, values.intensity].map((one) => [
    pieces.indexOf(littleEndianBytes(one).toString('base64')),
    one,
  ]);
  if (series.some(([at]) => at === -1)) throw new Error('the document does not hold its series');
  const joined = () => {
    let text = '';
    const encoded = new Map(
      series.map(([at, one]) => [at, littleEndianBytes(one).toString('base64')]),
    );
    for (let i = 0; i < pieces.length; i++) text += encoded.get(i) ?? pieces[i];
    return text;
  };
  if (joined() !== document) throw new Error('the pieces do not make the document');
  // A string that was only put together is no document yet: both end in bytes.
  return () => Buffer.from(joined(), 'utf8').length;
}

async function loopDelayRow(row, mode, { say, quick }) {
  const directory = mkdtempSync(join(tmpdir(), 'drumline-bench-formats-'));
  const out = join(directory, 'out');
  mkdirSync(out);
  const pool = new DecodePool({ site: null });
  try {
    const files = Array.from({ length: FILES[mode] }, (_, i) => {
      const { record, values } = formatsRecord(POINTS, i);
      const file = join(directory, `${i}.animl`);
      writeFileSync(file, writeAniml(record, values));
      return file;
    });
    await convertOne(pool, files[0], out);
    const found = [];
    for (let round = 0; round < (quick ? 1 : 3); round++) {
      const delay = monitorEventLoopDelay({ resolution: RESOLUTION_MS });
      delay.enable();
      const left = [...files];
      const lane = async () => {
        for (let file = left.pop(); file !== undefined; file = left.pop())
          await convertOne(pool, file, out);
      };
      await Promise.all(Array.from({ length: AT_ONCE }, lane));
      delay.disable();
      found.push(Math.max(0, delay.max / 1e6 - RESOLUTION_MS));
    }
    say(`${row.name}: longest ${found.map((ms) => ms.toFixed(1)).join(', ')} ms`);
    return limitRow(row, found);
  } finally {
    await pool.close();
    rmSync(directory, { recursive: true, force: true });
  }
}

async function convertOne(pool, file, out) {
  const forms = { form: RAW_CSV, readForm: {} };
  const task = { file, from: null, to: 'e1947', ...forms, attach: null, receivedAt: null, now: 0 };
  const { ok, answer, message } = await pool.convert(task);
  if (!ok || answer.kind !== 'converted') throw new Error(message ?? JSON.stringify(answer));
  for (const { files } of answer.items)
    for (const { name, bytes } of files) await writeOnce(out, name, bytes, { overwrite: true });
}
