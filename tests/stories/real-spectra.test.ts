import { readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { Command } from 'commander';
import { afterAll, beforeAll, expect, it, vi } from 'vitest';
import { loadBundleSchema } from '../../src/checks/bundle-schema.files.js';
import { examineBundle } from '../../src/checks/examine-bundle.js';
import { registerPack } from '../../src/cli/pack.command.js';
import { sha256 } from '../../src/formats/canonical-json.js';
import { addMs, formatInstant } from '../../src/formats/instant.js';
import { openXsdCheck } from '../../src/formats/xsd-validator.files.js';
import { readAniml } from '../../src/records/animl-reader.js';
import { writeAniml } from '../../src/records/animl-writer.js';
import type { ResultRecord } from '../../src/records/result-record.js';
import { expectationCsv } from '../../src/simulation/expectation-rows.js';
import { readLeaves } from '../../src/simulation/held-fields.js';
import { receiptOf } from '../support/dock.js';
import { GatewayWorld, type ShownBundle } from '../support/gateway-world.js';
import { describeWithShared, describeWithSpectra } from '../support/shared.js';

/**
 * Published measured spectra, packed and taken the whole way to the books of both systems. Sources and
 * licences of the spectra are in the README beside them; what each container really holds is their word,
 * not ours. Thresholds are those of this project's README, invented for the walk-through.
 */

/** Registered material, and the spectrum that its method compares with. */
const METHODS = {
  'NQ-2001': 'polystyrene__S4_785_z50.csv',
  'NQ-2002': 'calcite__S4_785_z50.csv',
  'NQ-2003': 'paracetamol__S6_30_A3.csv',
  'NQ-2004': 'ethanol__S1a.csv',
} as const;

type Material = keyof typeof METHODS;

interface Run {
  readonly file: string;
  readonly receipt: number;
  readonly material: Material;
  readonly container: string;
  readonly decision: 'pass' | 'fail';
  readonly score: string;
  /** What holds it, null when it is accepted. */
  readonly heldBy: string | null;
}

/** The run sheet: an honest day, but for the three passes that their spectra do not bear out. */
const RUNS: readonly Run[] = [
  run('polystyrene__S4_785_z20.csv', 1, 'NQ-2001', 'C-01', 'pass', '0.9990'),
  run('polystyrene__S3_785a.csv', 1, 'NQ-2001', 'C-02', 'pass', '0.930'),
  run('calcite__S4_785_z20.csv', 2, 'NQ-2002', 'C-01', 'pass', '0.977'),
  run('polystyrene__S7_ref.csv', 2, 'NQ-2002', 'C-02', 'fail', '0.00'),
  run('paracetamol__S6_30_A6.csv', 3, 'NQ-2003', 'C-01', 'pass', '0.95'),
  run('calcite__S4_785_z50.csv', 3, 'NQ-2003', 'C-02', 'pass', '0.97', 'recheck-other-material'),
  // Measured to 1600 cm-1 only, so nobody can recompute it over the method's range.
  run('lactose__S5.csv', 3, 'NQ-2003', 'C-03', 'pass', '0.96', 'recheck-not-possible'),
  run('ethanol__S1b.csv', 4, 'NQ-2004', 'C-01', 'pass', '0.918'),
  // Acetonitrile, ethanol and methanol: "must FAIL as any single component", says its source list.
  run('mixture-1__S1b.csv', 4, 'NQ-2004', 'C-02', 'pass', '0.92', 'recheck-disagrees'),
];

function run(
  file: string,
  receipt: number,
  material: Material,
  container: string,
  decision: Run['decision'],
  score: string,
  heldBy: string | null = null,
): Run {
  return { file, receipt, material, container, decision, score, heldBy };
}

const RECEIPTS = [1, 2, 3, 4].map((n) => {
  const runs = RUNS.filter((r) => r.receipt === n);
  const material = runs[0]?.material ?? '';
  const drums = runs.map((r) => ({ label: r.container, holds: 'polystyrene' as const }));
  return receiptOf(n, { material, drums });
});

/** Puts materials and methods in front of the others, and leaves one handheld at the east dock in service. */
function siteYaml(text: string): string {
  const codes = Object.keys(METHODS);
  const materials = codes.map((c) => `  - { code: ${c}, name: ${c}, furtherIdentityTests: [] }\n`);
  const methods = codes.map(
    (code) =>
      `  - { id: ID-${code}, version: "1", title: Identity, material: ${code}, mode: verification,
      algorithm: squared-correlation, threshold: "0.90", scoreTolerance: "0.02",
      range: { from: "250", to: "1800" }, gridStep: "1",
      derivative: { points: 15, polynomialOrder: 2, order: 1 },
      reference: references/${code}.csv, approvals: [{ material: ${code}, decision: D-003 }] }\n`,
  );
  return text
    .replace('environment: training', 'environment: validation')
    .replace('simulated: true', 'simulated: false')
    .replace(/(serial: NQ-R-0002,[^}]*)inService: true/, '$1inService: false')
    .replace(/^materials:\n/m, `materials:\n${materials.join('')}`)
    .replace(/^methods:\n/m, `methods:\n${methods.join('')}`);
}

const DAY_MS = 86_400_000;

describeWithSpectra('measured spectra', (spectra) => {
  let world: GatewayWorld;
  let sheet: readonly (Run & { readonly measuredAt: string })[];
  let bundle: ShownBundle;
  let bytes: Buffer;

  beforeAll(async () => {
    const references = Object.entries(METHODS).map(([code, file]) => [
      `references/${code}.csv`,
      () => readFileSync(join(spectra, file), 'utf8'),
    ]);
    world = await GatewayWorld.open({
      edits: { 'site.yaml': siteYaml, ...Object.fromEntries(references) },
    });
    // Nobody stated the offsets of a sheet: days between goods receipt, measurement and sync leave no doubt (rule 30).
    const received = addMs(world.clock.now(), -3 * DAY_MS);
    const csv = expectationCsv(RECEIPTS, received, world.site.timeZone);
    expect((await world.announce(csv)).status).toBe(200);
    const begin = addMs(world.clock.now(), -DAY_MS);
    sheet = RUNS.map((r, i) => ({ ...r, measuredAt: formatInstant(addMs(begin, i * 60_000)) }));
    bytes = await pack();
    bundle = await world.take({ bytes, sha256: sha256(bytes) });
    await world.quiet();
  }, 60_000);

  afterAll(async () => {
    await world.close();
  });

  /** `drumline pack`, as the README's walk-through calls it. */
  /** As the signed act of a second person would, for every result of a receipt. */
  function compareLabels(receiptId: string): Promise<void> {
    return world.write(async (db) => {
      const results = await db
        .selectFrom('result')
        .select(['id', 'container_label', 'container_scanned', 'receipt_scanned'])
        .where('receipt_id', '=', receiptId)
        .execute();
      for (const result of results) {
        await db
          .insertInto('label_verification')
          .values({
            id: `v-${result.id}`,
            site: 'northquay',
            result_row_id: result.id,
            container_label: result.container_label ?? '',
            seen_label: result.container_scanned ?? '',
            seen_receipt: result.receipt_scanned ?? '',
            verified_by: 'second person',
            signature_id: 'of this test',
            at: world.clock.now(),
          })
          .execute();
      }
    });
  }

  async function pack(): Promise<Buffer> {
    const lines = sheet.map((r, i) =>
      [
        i + 1,
        r.file,
        `NQ${r.receipt}/1`,
        r.material,
        `NQL-${r.receipt}`,
        r.container,
        `ID-${r.material}`,
        'op-7',
        r.measuredAt,
        r.decision,
        r.score,
      ].join(','),
    );
    const header =
      'run,file,receipt,material,lot,container,method,operator,measured_at,decision,score';
    const sheetFile = join(world.directory, 'runs.csv');
    const out = join(world.directory, 'bundle.json');
    writeFileSync(sheetFile, `${[header, ...lines].join('\n')}\n`);
    const program = new Command('drumline').exitOverride();
    registerPack(program);
    const quiet = vi.spyOn(process.stdout, 'write').mockReturnValue(true);
    await program.parseAsync(
      [
        ...['pack', '--sheet', sheetFile, '--spectra', spectra, '--out', out],
        ...['--site-folder', world.siteFolder, '--instrument', 'NQ-R-0001'],
      ],
      { from: 'user' },
    );
    quiet.mockRestore();
    expect(process.exitCode ?? 0).toBe(0);
    return readFileSync(out);
  }

  const stored = () =>
    world.db.selectFrom('result').selectAll().orderBy('run_number', 'asc').execute();

  it('are accepted where they bear out what the sheet says, and held where they do not', async () => {
    expect(bundle.state).toBe('accepted');
    const codes = RUNS.map((_run, i) =>
      bundle.findings.filter((f) => f.pointer.startsWith(`/results/${i}/`)).map((f) => f.code),
    );
    for (const [i, { heldBy }] of RUNS.entries()) {
      if (heldBy !== null) expect(codes[i]).toContain(heldBy);
    }
    const rows = await stored();
    expect(rows.map((row) => row.state)).toEqual(
      RUNS.map((r) => (r.heldBy === null ? 'accepted' : 'held')),
    );
    expect(new Set(rows.map((row) => `${row.origin} ${row.environment}`))).toEqual(
      new Set(['packed validation']),
    );
  });

  it('leave in both systems exactly what the sheet says, digit for digit, and nothing held', async () => {
    const rows = await stored();
    const expected = sheet.flatMap((r, i) => {
      if (r.heldBy !== null) return [];
      return [
        {
          resultId: rows[i]?.result_id,
          receipt: `nq-${r.receipt}-1`,
          container: r.container,
          material: r.material,
          lot: `NQL-${r.receipt}`,
          decision: r.decision === 'pass' ? 'PASSED' : 'FAILED',
          score: r.score,
          threshold: '0.90',
          method: `ID-${r.material}`,
          instrument: 'NQ-R-0001',
          measuredAt: r.measuredAt,
          environment: 'validation',
          origin: 'packed',
        },
      ];
    });
    const held = (books: typeof world.lims.ledger.books, nameOf: (field: string) => string) =>
      books.messages
        .filter((m) => m.messageType === 'result')
        .map((m) => {
          const leaves = readLeaves(m.content);
          const fields = Object.keys(expected[0] ?? {});
          return Object.fromEntries(fields.map((field) => [field, leaves.get(nameOf(field))]));
        })
        .sort((a, b) => String(a['measuredAt']).localeCompare(String(b['measuredAt'])));
    expect(held(world.lims.ledger.books, (field) => field)).toEqual(expected);
    const capital = (field: string) => field.charAt(0).toUpperCase() + field.slice(1);
    expect(held(world.erp.ledger.books, capital)).toEqual(expected);
  });

  it('conform where every container was a true pass and its typed labels were compared, and are released for exactly those', async () => {
    const typed = await world.says('nq-1-1', 'incomplete');
    const labels = typed.conditions.find((c) => c.code === 'labels-verified');
    expect(labels?.found).toContain('receipt typed, container typed, compared by no second person');
    expect(world.erp.ledger.books.receipts.get('nq-1-1')?.usage).not.toBe('released');
    await compareLabels('nq-1-1');
    const statement = await world.says('nq-1-1', 'conforms');
    expect(statement.environment).toBe('validation');
    expect(statement.containers.map((c) => [c.label, c.state])).toEqual([
      ['C-01', 'covered'],
      ['C-02', 'covered'],
    ]);
    const erp = world.erp.ledger.books;
    await world.until('ERP released it', () => erp.receipts.get('nq-1-1')?.usage === 'released');
    expect(erp.releases.map((r) => [r.receiptId, r.containers])).toEqual([
      ['nq-1-1', ['C-01', 'C-02']],
    ]);
  });

  it('do not conform where one is of another substance and says so', async () => {
    const statement = await world.says('nq-2-1', 'does-not-conform');
    expect(statement.containers.map((c) => c.state)).toEqual(['covered', 'contrary']);
    expect(world.erp.ledger.books.receipts.get('nq-2-1')).toMatchObject({
      usageDecision: 'USE-REFUSED',
      usage: 'blocked',
    });
  });

  it.each([
    ['nq-3-1', ['covered', 'not-measured', 'not-measured']],
    ['nq-4-1', ['covered', 'not-measured']],
  ])('are incomplete where a pass is not borne out: %s', async (receiptId, states) => {
    const statement = await world.statement(receiptId);
    expect(statement.outcome).toBe('incomplete');
    expect(statement.containers.map((c) => c.state)).toEqual(states);
    const told = world.erp.ledger.books.messages.flatMap(({ state }) =>
      state?.receiptId === receiptId ? [state.usageDecision] : [],
    );
    expect(new Set(told)).toEqual(new Set(['AWAITING']));
  });

  describeWithShared('as AnIML', (shared) => {
    it('are valid against the official core schema and read back equal, value for value', async () => {
      const core = await openXsdCheck(join(shared, 'standards', 'xsd'), 'animl-core.xsd');
      const now = world.clock.now();
      const examined = examineBundle(bytes, world.site, {
        now,
        validateSchema: loadBundleSchema(),
      });
      if (examined.kind === 'unreadable') throw new Error(examined.finding.message);
      let checked = 0;
      for (const [i, row] of (await stored()).entries()) {
        if (row.state !== 'accepted') continue;
        const record = JSON.parse(row.record ?? '') as ResultRecord;
        const text = writeAniml(record, examined.results[i]?.values ?? null);
        expect(core.faults(Buffer.from(text))).toEqual([]);
        // The document is not stored: what was promised to be built again is its digest.
        expect(sha256(text)).toBe(row.animl_sha256);
        const read = readAniml(Buffer.from(text));
        if (!read.ok) throw new Error(JSON.stringify(read.faults));
        expect(read.content.record).toEqual(record);
        const published = columnsOf(readFileSync(join(spectra, RUNS[i]?.file ?? ''), 'utf8'));
        expect([...(read.content.values?.axis ?? [])]).toEqual(published.axis);
        expect([...(read.content.values?.intensity ?? [])]).toEqual(published.intensity);
        checked += 1;
      }
      core.dispose();
      expect(checked).toBe(RUNS.filter((r) => r.heldBy === null).length);
    });
  });
});

/** The published file, read here and not by the code under test. */
function columnsOf(text: string): { axis: number[]; intensity: number[] } {
  const rows = text
    .split(/\r?\n/)
    .map((line) => line.split(',').map(Number))
    .filter(([x, y]) => Number.isFinite(x) && Number.isFinite(y) && y !== undefined);
  return { axis: rows.map(([x = 0]) => x), intensity: rows.map(([, y = 0]) => y) };
}
