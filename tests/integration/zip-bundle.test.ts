import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { assembleZipBundle } from '../../src/checks/assemble-bundle.js';
import { readSpectrum } from '../../src/checks/read-spectrum.js';
import { sha256 } from '../../src/formats/canonical-json.js';
import type { ZipFile } from '../../src/formats/zip-writer.js';
import {
  isSpectrumFile,
  type ResultBundle,
  type SpectrumFile,
} from '../../src/intake/result-bundle.js';
import { writeOpenJcamp } from '../../src/records/jcamp-record.js';
import type { Books } from '../../src/simulation/books.js';
import { readLeaves } from '../../src/simulation/held-fields.js';
import { type Bundle, Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { zipOf } from '../support/zip-bytes.js';

/** Bundles that come as zip archives, through the whole gateway. */

const [FIRST, SECOND] = EAST;

let world: GatewayWorld;
let dock: Dock;

beforeAll(async () => {
  world = await GatewayWorld.open();
  dock = new Dock(world);
});

afterAll(async () => {
  await world.close();
});

/** The same bundle with its spectra as files: CSV and JCAMP-DX by turns. */
function asZip(
  document: ResultBundle,
  method: 'store' | 'deflate' = 'deflate',
): Bundle & { files: ZipFile[] } {
  const { format: _format, version: _version, manifest: _manifest, ...parts } = document;
  const files: ZipFile[] = [];
  const results = parts.results.map((result, index) => {
    if (result.spectrum === null || isSpectrumFile(result.spectrum)) return result;
    const read = readSpectrum(result.spectrum, 100_000);
    if (read.kind !== 'read') throw new Error('the spectrum cannot be read');
    const axis = Float64Array.from(read.values.axis);
    const { intensity } = read.values;
    const isCsv = index % 2 === 0;
    const file = `spectra/${result.runNumber}.${isCsv ? 'csv' : 'jdx'}`;
    const text = isCsv
      ? Array.from(axis, (x, i) => `${x},${intensity[i]}\n`).join('')
      : writeOpenJcamp([{ title: file, axis, intensity, intensityUnit: 'COUNTS', notes: [] }]);
    const bytes = Buffer.from(text);
    files.push({ name: file, bytes });
    const { points, intensityUnit } = result.spectrum;
    const spectrum: SpectrumFile = {
      file,
      sha256: sha256(bytes),
      format: isCsv ? 'csv' : 'jcamp-dx',
      points,
      intensityUnit,
    };
    return { ...result, spectrum };
  });
  return { ...assembleZipBundle({ ...parts, results }, files, method), files };
}

function post(bytes: Uint8Array, key: string) {
  const headers = { 'content-type': 'application/zip', 'idempotency-key': `"${key}"` };
  return world.http({ path: '/api/v1/bundles', headers, body: bytes });
}

/** How often each system holds a result, by its own books. */
function heldTimes(resultId: string): { lims: number; erp: number } {
  const times = ({ messages }: Books, field: string) =>
    messages.filter(
      (m) => m.messageType === 'result' && readLeaves(m.content).get(field) === resultId,
    ).length;
  return {
    lims: times(world.lims.ledger.books, 'resultId'),
    erp: times(world.erp.ledger.books, 'ResultId'),
  };
}

describe('a bundle that comes as a zip archive', () => {
  it('is taken, checked and delivered, and its receipt conforms', async () => {
    const receipt = receiptOf(1);
    await dock.announce(receipt);
    const ids = receipt.drums.map(({ label }) => dock.measure(FIRST, receipt, label));
    const bundle = asZip(dock.pack(FIRST).document);
    expect(bundle.files.map(({ name }) => name.slice(-4))).toEqual(['.csv', '.jdx']);

    const answer = await post(bundle.bytes, 'zip-1');
    expect(answer.status).toBe(202);
    expect(answer.json).toMatchObject({
      bundleId: bundle.document.bundleId,
      sha256: sha256(bundle.bytes),
      first: true,
    });
    const shown = await world.settled(String(answer.json['intakeId']));
    expect([shown.state, shown.findings]).toEqual(['accepted', []]);
    await dock.sync(SECOND);
    await world.says(receipt.id, 'conforms');
    await world.quiet();
    for (const id of ids) expect(heldTimes(id)).toEqual({ lims: 1, erp: 1 });

    const again = await post(bundle.bytes, 'zip-1-again');
    expect(again.json).toMatchObject({ intakeId: answer.json['intakeId'], first: false });
    // Packed anew, and sent as what it is not: the bytes say what they are.
    const stored = zipOf([
      ...bundle.files.map(({ name, bytes }) => ({ name, data: bytes })),
      { name: 'bundle.json', data: JSON.stringify(bundle.document, null, 2) },
    ]);
    const twin = await world.take({ bytes: stored, sha256: sha256(stored) });
    expect([twin.state, twin.duplicateOf]).toEqual(['duplicate', answer.json['intakeId']]);
    await world.quiet();
    for (const id of ids) expect(heldTimes(id)).toEqual({ lims: 1, erp: 1 });
  });

  it('is held when a file in it was changed, and delivers nothing', async () => {
    const receipt = receiptOf(2);
    await dock.announce(receipt);
    const id = dock.measure(FIRST, receipt, 'D2-01');
    const { document, files } = asZip(dock.pack(FIRST).document);
    const bytes = zipOf([
      { name: 'bundle.json', data: JSON.stringify(document) },
      ...files.map(({ name, bytes: file }) => ({
        name,
        data: Buffer.concat([file, Buffer.from('\n')]),
      })),
    ]);
    const answer = await post(bytes, 'zip-2');
    expect(answer.status).toBe(202);
    const shown = await world.settled(String(answer.json['intakeId']));
    expect(shown.state).toBe('held');
    expect(shown.findings.map((f) => `${f.code} ${f.pointer}`)).toContain(
      'file-digest /results/0/spectrum/sha256',
    );
    await world.quiet();
    expect(heldTimes(id)).toEqual({ lims: 0, erp: 0 });
  });

  it('is refused and stored when it cannot be read as one', async () => {
    const bytes = zipOf([
      { name: 'bundle.json', data: '{}' },
      { name: '../bundle.json', data: '{}' },
    ]);
    const answer = await post(bytes, 'zip-3');
    expect(answer.status).toBe(422);
    expect(answer.json).toMatchObject({ code: 'bundle-unreadable', sha256: sha256(bytes) });
    const [finding] = answer.json['findings'] as Record<string, string>[];
    expect(finding).toMatchObject({ code: 'zip-name', pointer: '' });
    expect(finding?.['message']).toContain('"../bundle.json"');
    const kept = await world.db
      .selectFrom('raw_bytes')
      .select('bytes')
      .where('sha256', '=', sha256(bytes))
      .executeTakeFirstOrThrow();
    expect(Buffer.from(kept.bytes)).toEqual(bytes);
  });
});
