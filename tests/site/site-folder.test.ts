// biome-ignore-all lint/suspicious/noTemplateCurlyInString: these are the site folder's own placeholders
import { appendFileSync, mkdirSync, readFileSync, symlinkSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { spectralScore } from '../../src/checks/spectral-score.js';
import { sha256 } from '../../src/formats/canonical-json.js';
import { methodContentDigest } from '../../src/site/method-content.js';
import type { SiteFault } from '../../src/site/site-fault.js';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import { replacing } from '../support/site-edits.js';
import { type FileEdits, lineOf, NORTHQUAY, northquayWith } from '../support/site-folder-copy.js';
import { temporaryDirectory } from '../support/temp-database.js';

async function northquay(env: Record<string, string> = {}): Promise<SiteFolder> {
  const loaded = await loadSiteFolder(NORTHQUAY, env);
  if (!loaded.ok) throw new Error(JSON.stringify(loaded.faults));
  return loaded.site;
}

async function faultsOf(directory: string): Promise<readonly SiteFault[]> {
  const loaded = await loadSiteFolder(directory, {});
  return loaded.ok ? [] : loaded.faults;
}

async function faultsWith(edits: FileEdits): Promise<readonly SiteFault[]> {
  return await faultsOf(northquayWith(edits));
}

function escalatingTo(channel: string): (text: string) => string {
  return (text) =>
    `${text}\nescalation:\n  afterMs: 1000\n  repeatMs: 1000\n  person: Duty officer (simulated)\n${channel}`;
}

describe('the Northquay site folder', () => {
  it('loads, is labelled simulated and runs as training', async () => {
    const site = await northquay();
    expect(site).toMatchObject({ site: 'northquay', environment: 'training', simulated: true });
    expect(site.instruments.map((i) => i.serial)).toEqual([
      'NQ-R-0001',
      'NQ-R-0002',
      'NQ-R-0003',
      'NQ-R-0004',
    ]);
    expect(site.secondPerson).toEqual({ required: true });
  });

  it('takes no status of a destination for "none" unless its mapping declares it', async () => {
    const declaring = northquayWith({
      'lims.mapping.yaml': replacing('    readBack:\n', '    readBack:\n      absentStatus: 404\n'),
    });
    const loaded = await loadSiteFolder(declaring, {});
    if (!loaded.ok) throw new Error(JSON.stringify(loaded.faults));
    const lims = loaded.mappings.get('lims')?.messages;
    expect(lims?.result?.readBack?.absentStatus).toBe(404);
    expect(lims?.withdrawal?.readBack?.absentStatus).toBeNull();
  });

  it('gives methods the digest of their content and references the digest of their bytes', async () => {
    const [method] = (await northquay()).methods;
    const bytes = readFileSync(join(NORTHQUAY, 'references/NQ-1001.csv'));
    expect(method?.reference?.sha256).toBe(sha256(bytes));
    expect(method?.contentDigest).toBe(
      method && methodContentDigest({ ...method, referenceSha256: sha256(bytes) }),
    );
  });

  it('has references that no method takes for another material', async () => {
    const { methods } = await northquay();
    for (const method of methods) {
      for (const other of methods) {
        if (!other.reference) throw new Error('every Northquay method has a reference');
        const scored = spectralScore(method, other.reference.axis, other.reference.intensity);
        const score = scored.kind === 'scored' ? scored.score : Number.NaN;
        if (method === other) expect(score).toBeCloseTo(1, 9);
        else expect(score, `${method.id} on ${other.material}`).toBeLessThan(0.2);
      }
    }
  });

  it('is frozen all the way down', async () => {
    const site = await northquay();
    expect(Object.isFrozen(site.methods[0]?.approvals)).toBe(true);
    expect(() => {
      (site.limits as { syncMarginMs: number }).syncMarginMs = 0;
    }).toThrow(TypeError);
  });

  it('fills in where destinations live after taking the digest', async () => {
    const plain = await northquay();
    const moved = await northquay({ NORTHQUAY_LIMS_URL: 'http://127.0.0.1:9' });
    expect(plain.destinations[0]?.endpoint).toMatchObject({ baseUrl: 'http://127.0.0.1:7071' });
    expect(moved.destinations[0]?.endpoint).toMatchObject({ baseUrl: 'http://127.0.0.1:9' });
    expect(moved.digest).toBe(plain.digest);
  });

  it('has another digest when any file changes by one byte, and the same for hidden files', async () => {
    const plain = await northquay();
    const directory = northquayWith({});
    writeFileSync(join(directory, '.hidden'), 'x');
    const same = await loadSiteFolder(directory, {});
    expect(same.ok && same.site.digest).toBe(plain.digest);
    appendFileSync(join(directory, 'README.md'), ' ');
    const other = await loadSiteFolder(directory, {});
    expect(other.ok && other.site.digest).not.toBe(plain.digest);
  });
});

describe('loadSiteFolder reports', () => {
  // Each row: rule, file, edit, and the text whose line the fault has to name.
  const rows: readonly [string, string, string, string, string?][] = [
    ['unknown-area', 'site.yaml', 'area: west-dock', 'area: north-dock', 'area: north-dock'],
    [
      'unknown-material',
      'site.yaml',
      'material: NQ-1002\n    mode',
      'material: NQ-9\n    mode',
      'material: NQ-9',
    ],
    ['unknown-decision', 'site.yaml', 'decision: D-003 }]', 'decision: D-9 }]', 'D-9'],
    [
      'decision-of-other-rule',
      'site.yaml',
      'secondPerson: { required: true }',
      'secondPerson: { required: false, decision: D-002 }',
      'required: false, decision: D-002',
    ],
    [
      'approval-of-other-material',
      'site.yaml',
      '[{ material: NQ-1001,',
      '[{ material: NQ-1002,',
      '[{ material: NQ-1002,',
    ],
    ['duplicate-id', 'site.yaml', 'serial: NQ-R-0004', 'serial: NQ-R-0003'],
    ['time-zone', 'site.yaml', 'Europe/London', 'Europe/Northquay', 'Europe/Northquay'],
    ['method-numbers', 'site.yaml', 'threshold: "0.90"', 'threshold: "1.90"', 'threshold: "1.90"'],
    ['method-numbers', 'site.yaml', 'points: 15', 'points: 14', 'points: 14'],
    ['method-numbers', 'site.yaml', 'from: "250"', 'from: "1900"', 'from: "1900"'],
    ['method-numbers', 'site.yaml', 'gridStep: "1"', 'gridStep: "0"', 'gridStep: "0"'],
    [
      'method-without-reference',
      'site.yaml',
      'reference: references/NQ-1001.csv',
      'reference: null',
      'reference: null',
    ],
    [
      'never-in-force',
      'site.yaml',
      'reference: references/NQ-1001.csv',
      'reference: references/NQ-1001.csv\n    effectiveFrom: "2026-03-04T12:00:00Z"\n    retiredAt: "2026-03-04T12:00:00Z"',
      'retiredAt: "2026-03-04T12:00:00Z"',
    ],
    [
      'instant-unreadable',
      'site.yaml',
      'reference: references/NQ-1001.csv',
      'reference: references/NQ-1001.csv\n    effectiveFrom: "2026-03-04"',
      'effectiveFrom: "2026-03-04"',
    ],
    [
      'method-invalidation',
      'site.yaml',
      'reference: references/NQ-1001.csv',
      'reference: references/NQ-1001.csv\n    invalidatedAt: "2026-03-04T12:00:00Z"',
      'invalidatedAt: "2026-03-04T12:00:00Z"',
    ],
    [
      'decision-of-other-rule',
      'site.yaml',
      'reference: references/NQ-1001.csv',
      'reference: references/NQ-1001.csv\n    invalidatedAt: "2026-03-04T12:00:00Z"\n    invalidation: D-003',
      'invalidation: D-003',
    ],
    [
      'decision-of-other-rule',
      'site.yaml',
      'reference: references/NQ-1001.csv',
      'reference: references/NQ-1001.csv\n    notRecomputable: D-003',
      'notRecomputable: D-003',
    ],
    [
      'method-versions-overlap',
      'site.yaml',
      '  - id: ID-NQ-1002\n    version: "1"',
      '  - id: ID-NQ-1001\n    version: "2"\n    effectiveFrom: "2026-03-04T12:00:00Z"',
      'effectiveFrom: "2026-03-04T12:00:00Z"',
    ],
    [
      'decision-of-other-rule',
      'site.yaml',
      '      inService: true,',
      '      inService: true,\n      outOfService: [{ from: "2026-03-04T12:00:00Z", decision: D-003 }],',
      'outOfService',
    ],
    [
      'never-in-force',
      'site.yaml',
      '      inService: true,',
      '      inService: true,\n      outOfService: [{ from: "2026-03-04T12:00:00Z", to: "2026-03-04T11:00:00Z", decision: D-003 }],',
      'outOfService',
    ],
    ['reference-too-short', 'site.yaml', 'to: "1800"', 'to: "2400"'],
    [
      'unknown-file',
      'site.yaml',
      'references/NQ-1003.csv',
      'references/NQ-1.csv',
      'references/NQ-1.csv',
    ],
    [
      'reduced-plan-unbound',
      'site.yaml',
      '    manufacturer: Quarrymoor Sulfur Works (simulated)\n',
      '',
    ],
    [
      'duplicate-id',
      'site.yaml',
      'plans:\n',
      'plans:\n  - { material: NQ-1004, manufacturer: "Quarrymoor  Sulfur Works (simulated)", plan: every, rounding: up, decision: D-002, expires: "2030-12-31T23:59:59Z" }\n',
    ],
    [
      'plan-rounding',
      'site.yaml',
      'plan: sqrt\n    rounding: up',
      'plan: who-n\n    rounding: down',
      'rounding: down',
    ],
    [
      'plan-positions',
      'site.yaml',
      'plan: sqrt\n    rounding: up',
      'plan: fixed\n    rounding: up',
      'plan: fixed',
    ],
    [
      'plan-positions',
      'site.yaml',
      'plan: sqrt\n    rounding: up',
      'plan: sqrt\n    positions: [1]\n    rounding: up',
      'positions: [1]',
    ],
    [
      'plan-expiry',
      'site.yaml',
      'expires: "2030-12-31T23:59:59Z" }',
      'expires: "2030-12-31" }',
      'expires: "2030-12-31" }',
    ],
    ['schema-required', 'site.yaml', '    expires: "2030-12-31T23:59:59Z"\n', ''],
    ['decision-date', 'site.yaml', 'date: "2026-01-12"', 'date: "2026-02-30"', '2026-02-30'],
    ['could-post-twice', 'site.yaml', 'settleMs: 500', 'settleMs: 300', 'settleMs: 300'],
    ['schema-minimum', 'site.yaml', 'settleMs: 500', 'settleMs: 0', 'settleMs: 0'],
    ['schema-minimum', 'site.yaml', 'absentAsks: 2', 'absentAsks: 1', 'absentAsks: 1'],
    ['retry-bounds', 'site.yaml', 'retryMaxMs: 3000', 'retryMaxMs: 100', 'retryMaxMs: 100'],
    ['schema-maximum', 'site.yaml', 'deadlineMs: 1500', 'deadlineMs: 150000', 'deadlineMs: 150000'],
    ['cidr', 'site.yaml', 'allow: ["127.0.0.0/8"]', 'allow: ["127.0.0.1/8"]', '127.0.0.1/8'],
    ['address-not-allowed', 'site.yaml', 'allow: ["127.0.0.0/8"]', 'allow: ["0.0.0.0/0"]'],
    [
      'base-url',
      'site.yaml',
      '${NORTHQUAY_LIMS_URL:-http://127.0.0.1:7071}',
      'ftp://127.0.0.1/',
      'ftp:',
    ],
    [
      'base-url',
      'site.yaml',
      '${NORTHQUAY_LIMS_URL:-http://127.0.0.1:7071}',
      'http://u:p@127.0.0.1/',
      'u:p@',
    ],
    [
      'variable-missing',
      'site.yaml',
      '${NORTHQUAY_LIMS_URL:-http://127.0.0.1:7071}',
      '${NORTHQUAY_LIMS_URL}',
      '${NORTHQUAY_LIMS_URL}',
    ],
    [
      'substitution-not-allowed',
      'site.yaml',
      'title: Northquay (simulated)',
      'title: ${HOME}',
      '${HOME}',
    ],
    [
      'statement-expires-on-the-way',
      'site.yaml',
      'statementValidMs: 600000',
      'statementValidMs: 1500',
    ],
    ['several-acting-destinations', 'site.yaml', 'acts: false', 'acts: true'],
    [
      'schema-unknown-key',
      'site.yaml',
      'simulated: true\n',
      'simulated: true\nsimulatd: true\n',
      'simulatd',
    ],
    ['schema-type', 'site.yaml', 'threshold: "0.90"', 'threshold: 0.90', 'threshold: 0.90'],
    [
      'schema-pattern',
      'site.yaml',
      'bearer: env:NORTHQUAY_LIMS_TOKEN',
      'bearer: hunter2',
      'hunter2',
    ],
    ['schema-const', 'site.yaml', 'signed: false', 'signed: true', 'signed: true'],
    ['yaml', 'site.yaml', 'environment: training', 'environment: training\nenvironment: training'],
    ['yaml', 'site.yaml', 'limits:', 'limits: &l', '&l'],
    ['yaml', 'site.yaml', 'areas:', 'areas: [', ''],
    ['reference-spectrum', 'references/NQ-1002.csv', '\n206,', '\n203,', '\n203,'.trim()],
    ['reference-spectrum', 'references/NQ-1002.csv', '\n206,', '\n2 06,', '2 06,'],
    ['code-table', 'tables/entries.csv', 'typed,KEYED', 'scanned,KEYED', 'scanned,KEYED'],
    ['code-table', 'tables/entries.csv', 'typed,KEYED', 'typed,', 'typed,'],
    [
      'unknown-file',
      'lims.mapping.yaml',
      'contracts/lims-result.json',
      'contracts/none.json',
      'contracts/none.json',
    ],
    [
      'schema-unknown-key',
      'lims.mapping.yaml',
      'format: json',
      'format: json\ndefault: x',
      'default: x',
    ],
    [
      'mapping-of-other-destination',
      'lims.mapping.yaml',
      'destination: lims',
      'destination: limz',
      'limz',
    ],
    ['schema-enum', 'erp.mapping.yaml', 'format: xml', 'format: csv', 'format: csv'],
    [
      'schema-enum',
      'lims.mapping.yaml',
      '    readBack:\n',
      '    readBack:\n      absentStatus: 410\n',
      'absentStatus: 410',
    ],
  ];

  it.each(rows)('%s in %s (%j to %j)', async (rule, file, found, by, at) => {
    const directory = northquayWith({ [file]: replacing(found, by) });
    const faults = (await faultsOf(directory)).filter((f) => f.rule === rule && f.file === file);
    expect(faults.length).toBeGreaterThan(0);
    for (const fault of faults) {
      expect(fault.message.length).toBeGreaterThan(5);
      expect(fault.remedy).not.toBe('');
    }
    if (at) expect(faults.map((f) => f.line)).toContain(lineOf(directory, file, at));
  });

  it.each([
    [2, false],
    [3, true],
  ])('a reference with %i points left out is one with a hole: %s', async (count, isHole) => {
    // Points lie 2 cm-1 apart: three left out are a gap of 8, more than three times that; two are one of 6.
    const name = 'references/NQ-1003.csv';
    const without = (text: string) =>
      text
        .split('\n')
        .filter((line) => {
          const shift = Number(line.split(',')[0]);
          return !(shift > 800 && shift <= 800 + 2 * count);
        })
        .join('\n');
    const directory = northquayWith({ [name]: without });
    const faults = await faultsOf(directory);
    if (!isHole) return expect(faults).toEqual([]);
    expect(faults).toEqual([
      {
        file: name,
        line: lineOf(directory, name, '808,'),
        column: 1,
        rule: 'reference-hole',
        message:
          'no point between 800 and 808 cm-1, where others lie 2 apart: method ID-NQ-1003 needs points throughout 250 to 1800',
        remedy:
          'Store the curve with all of its points, or narrow the range to one side of the hole.',
      },
    ]);
    // Beyond the range of the method nothing is compared.
    const narrow = northquayWith({
      [name]: without,
      'site.yaml': (text) => text.replaceAll('from: "250"', 'from: "900"'),
    });
    expect((await faultsOf(narrow)).filter(({ rule }) => rule === 'reference-hole')).toEqual([]);
  });

  it('what a production environment may not be, and no decision that is still to be signed in the service', async () => {
    const faults = await faultsWith({
      'site.yaml': replacing('environment: training', 'environment: production'),
    });
    expect(new Set(faults.map((f) => f.rule))).toEqual(
      new Set(['simulated-in-production', 'plain-http-in-production']),
    );
  });

  it.each([
    ['escalation-to-nobody', ''],
    ['unknown-destination', '  destination: pager\n'],
    ['escalation-to-the-same', '  destination: erp\n'],
  ])('a second channel for stops that could tell nobody: %s', async (rule, channel) => {
    const faults = await faultsWith({ 'site.yaml': escalatingTo(channel) });
    expect(faults.map((f) => f.rule)).toEqual([rule]);
    expect(await faultsWith({ 'site.yaml': escalatingTo('  destination: lims\n') })).toEqual([]);
  });

  it('a second channel for stops whose mapping does not know the message', async () => {
    const faults = await faultsWith({
      'site.yaml': escalatingTo('  destination: lims\n'),
      'lims.mapping.yaml': (text) => {
        const [before = '', message = ''] = text.split('\n  stop-escalation:\n');
        const after = message.slice(message.indexOf('\n# Everything it got'));
        return `${before}${after}`.replace(', stop-escalation: stop-escalation', '');
      },
    });
    expect(faults.map((f) => f.rule)).toContain('message-missing');
  });

  it.each([
    [
      'key-lifetime-without-key',
      'honoursKey: false\n',
      'honoursKey: false\n    keyLifetimeMs: 86400000\n',
    ],
    ['key-lifetime-too-short', 'honoursKey: true\n', 'honoursKey: true\n    keyLifetimeMs: 4000\n'],
  ])('a destination whose keys are forgotten: %s', async (rule, found, by) => {
    const faults = await faultsWith({ 'site.yaml': replacing(found, by) });
    expect(faults.map((f) => f.rule)).toEqual([rule]);
    const long = 'honoursKey: true\n    keyLifetimeMs: 86400000\n';
    expect(await faultsWith({ 'site.yaml': replacing(found, long) })).toEqual([]);
  });

  it('an acting destination that has no stop message', async () => {
    const faults = await faultsWith({
      'erp.mapping.yaml': (text) => text.slice(0, text.indexOf('\n  stop:')),
    });
    expect(faults.map((f) => f.rule)).toEqual(['no-stop-no-conforms']);
  });

  it('an acting destination that names no value it releases on (release-safety rule 23)', async () => {
    const faults = await faultsWith({
      'erp.mapping.yaml': (text) =>
        replacing(
          'incomplete: AWAITING',
          'incomplete: USE-PERMITTED',
        )(text.replace(/^permits:\n(?: .*\n)+/m, 'permits: []\n')),
    });
    expect(faults.map((f) => f.rule)).toEqual(['acting-without-permits']);
  });

  it('a stop that could not be seen to have worked', async () => {
    const faults = await faultsWith({
      'erp.mapping.yaml': (text) => {
        const stop = text.indexOf('\n  stop:');
        const ask = text.indexOf('    readBack:', stop);
        return `${text.slice(0, ask)}    readBack: null\n`;
      },
    });
    expect(faults.map((f) => f.rule)).toEqual(['read-back-missing']);
  });

  it('a mapping without a destination and a destination without a mapping', async () => {
    const directory = northquayWith({});
    const text = readFileSync(join(directory, 'lims.mapping.yaml'), 'utf8');
    writeFileSync(
      join(directory, 'lims.mapping.yaml'),
      text.replace('destination: lims', 'destination: lims'),
    );
    writeFileSync(
      join(directory, 'mes.mapping.yaml'),
      text.replace('destination: lims', 'destination: mes'),
    );
    expect((await faultsOf(directory)).map((f) => f.rule)).toEqual(['mapping-without-destination']);
    const renamed = northquayWith({ 'site.yaml': replacing('- name: lims', '- name: mes') });
    expect((await faultsOf(renamed)).map((f) => f.rule).sort()).toEqual([
      'mapping-missing',
      'mapping-without-destination',
    ]);
  });

  it('every fault of every file at once, in reading order', async () => {
    const faults = await faultsWith({
      'site.yaml': (text) =>
        replacing(
          'area: west-dock',
          'area: nowhere',
        )(
          replacing(
            'threshold: "0.90"',
            'threshold: 0.90',
          )(replacing('absentAsks: 2', 'absentAsks: 1')(text)),
        ),
      'lims.mapping.yaml': replacing('format: json', 'format: yaml'),
      'references/NQ-1004.csv': replacing('\n206,', '\n203,'),
    });
    expect(faults.map((f) => `${f.file} ${f.rule}`)).toEqual([
      'lims.mapping.yaml schema-enum',
      'references/NQ-1004.csv reference-spectrum',
      'site.yaml unknown-area',
      'site.yaml schema-type',
      'site.yaml schema-minimum',
    ]);
  });

  it('does not report an entry as unknown because another part of it is wrong', async () => {
    const faults = await faultsWith({
      'site.yaml': replacing('code: NQ-1003, name: Cyclohexane', 'code: NQ-1003, name: 17'),
    });
    expect(faults.map((f) => f.rule)).toEqual(['schema-type']);
  });

  it('a short file that would unfold into a huge one', async () => {
    const bomb = ['a: &a [x,x,x,x,x,x,x,x,x]'];
    for (let i = 0; i < 9; i += 1)
      bomb.push(
        `b${i}: &b${i} [${Array(9)
          .fill(i ? `*b${i - 1}` : '*a')
          .join(',')}]`,
      );
    const faults = await faultsWith({ 'site.yaml': () => bomb.join('\n') });
    expect(faults[0]).toMatchObject({ file: 'site.yaml', line: 1, rule: 'yaml' });
  });

  it('a file nested thousands deep, without dying of it', async () => {
    const faults = await faultsWith({ 'site.yaml': () => '['.repeat(200_000) });
    expect(faults.map((f) => f.rule)).toContain('yaml');
  });

  it('links, foreign files, oversized files and bytes that are not UTF-8', async () => {
    const directory = northquayWith({});
    symlinkSync(join(directory, 'site.yaml'), join(directory, 'link.yaml'));
    writeFileSync(join(directory, 'notes.txt'), 'x');
    writeFileSync(join(directory, 'large.md'), 'x'.repeat(2_097_153));
    writeFileSync(join(directory, 'latin.md'), Buffer.from([0xe4, 0xf6]));
    mkdirSync(join(directory, 'a/b/c/d'), { recursive: true });
    const faults = await faultsOf(directory);
    expect(faults.map((f) => [f.file, f.rule])).toEqual([
      ['a/b/c/d', 'folder-file'],
      ['large.md', 'folder-file'],
      ['latin.md', 'folder-file'],
      ['link.yaml', 'folder-file'],
      ['notes.txt', 'folder-file'],
    ]);
  });

  it('a folder that is not there, or holds no site.yaml', async () => {
    const empty = temporaryDirectory();
    expect((await faultsOf(join(empty, 'none')))[0]?.message).toContain('ENOENT');
    expect((await faultsOf(empty)).map((f) => f.message)).toEqual([
      'the folder holds no site.yaml',
    ]);
  });

  it('keys that mean something to JavaScript objects as unknown keys', async () => {
    const faults = await faultsWith({
      'site.yaml': replacing(
        'simulated: true\n',
        'simulated: true\n__proto__: { polluted: true }\nconstructor: 1\n',
      ),
    });
    expect(faults.map((f) => f.rule)).toEqual(['schema-unknown-key', 'schema-unknown-key']);
    expect(({} as { polluted?: boolean }).polluted).toBeUndefined();
  });
});
