import { spawnSync } from 'node:child_process';
import { rmSync } from 'node:fs';
import { join } from 'node:path';
import { beforeEach, describe, expect, it, vi } from 'vitest';
import { readSettings, type SettingOverrides } from '../../src/config.js';
import { Misconfigured } from '../../src/errors.js';
import { openApplication } from '../../src/main.js';
import { repositoryRoot } from '../support/shared.js';
import { replacing } from '../support/site-edits.js';
import { lineOf, northquayWith } from '../support/site-folder-copy.js';
import { temporaryDirectory } from '../support/temp-database.js';

/** What a gateway refuses to start with, and that the refusal says where and what to do. */

beforeEach(() => {
  vi.stubEnv('NORTHQUAY_LIMS_TOKEN', 'simulated');
  vi.stubEnv('NORTHQUAY_ERP_TOKEN', 'simulated');
});

interface Start {
  readonly environment?: Readonly<Record<string, string>>;
  readonly overrides?: SettingOverrides;
  readonly siteFolder?: string;
  readonly data?: string;
}

async function open(start: Start) {
  const settings = readSettings(
    { DRUMLINE_LOG_LEVEL: 'silent', ...start.environment },
    {
      data: start.data ?? join(temporaryDirectory(), 'data'),
      siteFolder: start.siteFolder ?? northquayWith({}),
      port: '0',
      ...start.overrides,
    },
  );
  return openApplication(settings, { work: false });
}

/** Starts a gateway that must refuse, and returns what it says. */
async function refusal(start: Start): Promise<Misconfigured> {
  try {
    await (await open(start)).close();
  } catch (error) {
    if (error instanceof Misconfigured) return error;
    throw error;
  }
  throw new Error('the gateway started');
}

describe('a setting', () => {
  it.each([
    ['nobody knows', { environment: { DRUMLINE_PROT: '7070' } }, 'DRUMLINE_PROT', 'DRUMLINE_PORT'],
    ['out of range', { overrides: { port: '70700' } }, 'DRUMLINE_PORT="70700"', '0 to 65535'],
    ['that is no number', { environment: { DRUMLINE_POOL_THREADS: 'two' } }, '"two"', '1 to 64'],
    ['outside its list', { overrides: { logLevel: 'loud' } }, '"loud"', 'fatal, error, warn'],
    [
      'with an address of no database',
      { environment: { DATABASE_URL: 'db', REDIS_URL: 'redis://queue' } },
      'DATABASE_URL',
      'postgresql://',
    ],
  ] as const)(
    '%s stops the start with its name and what is allowed',
    async (_name, start, found, allowed) => {
      const error = await refusal(start);
      expect(error.code).toBe('configuration-invalid');
      expect(error.message).toContain(found);
      expect(error.message).toContain(allowed);
    },
  );
});

describe('a site folder', () => {
  it('that is not there stops the start with its place', async () => {
    const siteFolder = join(temporaryDirectory(), 'nowhere');
    const error = await refusal({ siteFolder });
    expect(error.code).toBe('site-folder-invalid');
    expect(error.message).toContain('site.yaml');
  });

  it.each([
    ['that is no YAML', 'site.yaml', 'environment: training', 'environment: [training'],
    [
      'with a word outside its vocabulary',
      'site.yaml',
      'environment: training',
      'environment: demo',
    ],
    [
      'with an unknown decision',
      'site.yaml',
      'plan: every, rounding: up, decision: D-002',
      'plan: every, rounding: up, decision: D-9',
    ],
    ['with a key nobody knows', 'site.yaml', 'timeZone:', 'timezone:'],
    [
      'with a mapping of an unknown field',
      'erp.mapping.yaml',
      'from: record.lot,',
      'form: record.lot,',
    ],
  ])('%s stops the start with file, line, rule and remedy', async (_name, file, good, bad) => {
    const siteFolder = northquayWith({ [file]: replacing(good, bad) });
    const error = await refusal({ siteFolder });
    expect(error.code).toBe('site-folder-invalid');
    const line = lineOf(siteFolder, file, bad);
    // file:line:column rule: found against expected. remedy.
    expect(error.message).toMatch(
      new RegExp(
        `^${file.replaceAll('.', '\\.')}:(${line}|${line + 1}):\\d+ [a-z-]+: .+\\. .+`,
        'm',
      ),
    );
  });

  it('whose mapping would let anything but a conforms permit a release stops the start (rule 23)', async () => {
    const siteFolder = northquayWith({
      'erp.mapping.yaml': replacing('incomplete: AWAITING', 'incomplete: USE-PERMITTED'),
    });
    const error = await refusal({ siteFolder });
    expect(error.code).toBe('site-folder-invalid');
    expect(error.message).toMatch(
      /^erp\.mapping\.yaml:\d+:\d+ release-vocabulary: statement incomplete/m,
    );
  });

  it('whose mapping would let an aborted result permit a release stops the start (rule 23)', async () => {
    const siteFolder = northquayWith({
      'erp.mapping.yaml': (text) =>
        replacing(
          '  - { at: /IdentityMessage/Body/UsageDecision, values: [USE-PERMITTED] }',
          '  - { at: /IdentityMessage/Body/UsageDecision, values: [USE-PERMITTED] }\n  - { at: /IdentityMessage/Body/Decision, values: [ABORTED] }',
        )(text),
    });
    const error = await refusal({ siteFolder });
    expect(error.code).toBe('site-folder-invalid');
    expect(error.message).toMatch(/^erp\.mapping\.yaml:\d+:\d+ release-vocabulary: .*aborted/m);
  });

  it('whose acting system has no stop beside its conforms stops the start (rule 22)', async () => {
    const siteFolder = northquayWith({
      'erp.mapping.yaml': (text) => text.slice(0, text.indexOf('\n  stop:')),
    });
    const error = await refusal({ siteFolder });
    expect(error.code).toBe('site-folder-invalid');
    expect(error.message).toMatch(
      /^site\.yaml:\d+:\d+ no-stop-no-conforms: erp\.mapping\.yaml .*stop/m,
    );
  });
});

describe('a secret that is not there', () => {
  it('stops the start by the name of its reference, and frees the data folder', async () => {
    vi.stubEnv('NORTHQUAY_ERP_TOKEN', '');
    const data = join(temporaryDirectory(), 'data');
    const error = await refusal({ data });
    expect(error.code).toBe('secret-missing');
    expect(error.message).toContain('env:NORTHQUAY_ERP_TOKEN');
    expect(error.message).not.toContain('NORTHQUAY_LIMS_TOKEN');

    vi.stubEnv('NORTHQUAY_ERP_TOKEN', 'simulated');
    await (await open({ data })).close();
  });
});

describe('a data folder', () => {
  it('that another gateway owns stops the start, until that one has closed', async () => {
    const data = join(temporaryDirectory(), 'data');
    const first = await open({ data });
    const error = await refusal({ data });
    expect(error.code).toBe('database-in-use');
    expect(error.message).toContain(data);
    await first.close();
    await (await open({ data })).close();
  });

  it('is free again after a start that a mapping stopped', async () => {
    const data = join(temporaryDirectory(), 'data');
    const broken = northquayWith({
      'erp.mapping.yaml': replacing('incomplete: AWAITING', 'incomplete: USE-PERMITTED'),
    });
    await refusal({ data, siteFolder: broken });
    await (await open({ data })).close();
  });
});

describe('the command', () => {
  it('ends with 2 and the same sentence on the terminal, and no stack', () => {
    const siteFolder = northquayWith({
      'site.yaml': replacing('environment: training', 'environment: demo'),
    });
    const data = join(temporaryDirectory(), 'data');
    const run = spawnSync(
      process.execPath,
      [
        join(repositoryRoot(), 'bin/drumline.js'),
        'serve',
        '--port',
        '0',
        '--data',
        data,
        '--site-folder',
        siteFolder,
      ],
      { encoding: 'utf8', timeout: 20_000 },
    );
    expect(run.status).toBe(2);
    expect(run.stdout).toBe('');
    const line = lineOf(siteFolder, 'site.yaml', 'environment: demo');
    expect(run.stderr).toMatch(new RegExp(`^site\\.yaml:${line}:\\d+ `, 'm'));
    expect(run.stderr).not.toMatch(/^\s+at /m);
    rmSync(data, { recursive: true, force: true });
  });
});
