import { spawnSync } from 'node:child_process';
import { once } from 'node:events';
import { readFileSync, writeFileSync } from 'node:fs';
import { createServer } from 'node:net';
import { join } from 'node:path';
import { beforeAll, describe, expect, it } from 'vitest';
import { repositoryRoot } from '../support/shared.js';
import { temporaryDirectory } from '../support/temp-database.js';

/** The commands as somebody at a terminal meets them: real processes, without a gateway running. */

const bin = join(repositoryRoot(), 'bin', 'drumline.js');
const directory = temporaryDirectory();
const data = join(directory, 'data');

interface Ended {
  readonly status: number | null;
  readonly stdout: string;
  readonly stderr: string;
}

function drumline(...args: string[]): Ended {
  const env = {
    ...process.env,
    NORTHQUAY_LIMS_TOKEN: 'simulated',
    NORTHQUAY_ERP_TOKEN: 'simulated',
  };
  const options = { cwd: repositoryRoot(), encoding: 'utf8', timeout: 25_000, env } as const;
  return spawnSync(process.execPath, [bin, ...args], options);
}

const onData = (...args: string[]) => drumline(...args, '--data', data);

function write(name: string, content: string | Buffer): string {
  const file = join(directory, name);
  writeFileSync(file, content);
  return file;
}

const lastLine = ({ stdout }: Ended): unknown => JSON.parse(stdout.trim().split('\n').at(-1) ?? '');

describe('help', () => {
  const commands = [
    'serve',
    'demo',
    'expect',
    'pack',
    'check',
    'convert',
    'reconcile',
    'statement',
  ];
  const grouped = ['mapping', 'mapping check', 'mapping preview', 'key', 'key create', 'key list'];

  it.each([...commands, ...grouped, 'key revoke'])('of %s shows an example', (command) => {
    const run = drumline(...command.split(' '), '--help');
    expect(run.status).toBe(0);
    expect(run.stdout).toContain(`Example:\n  drumline ${command}`);
  });

  it('gives the version of the package', () => {
    const text = readFileSync(join(repositoryRoot(), 'package.json'), 'utf8');
    const run = drumline('--version');
    expect(run.stdout.trim()).toBe((JSON.parse(text) as { version: string }).version);
    expect(run.status).toBe(0);
  });
});

describe('wrong usage', () => {
  const missing = join(directory, 'missing');

  it.each([
    ['a bundle that is not there', ['check', missing]],
    ['a folder for a bundle', ['check', directory]],
    ['a folder that cannot be written', ['convert', missing, '--to', 'csv', '--out', missing]],
    ['a preview of nothing', ['mapping', 'preview', '--destination', 'lims', '--bundle', missing]],
    ['receipt lines that are not there', ['expect', missing]],
    ['a port that is no number', ['demo', '--once', '--port', 'x']],
    ['JSON and CSV at once', ['reconcile', '--json', '--format', 'csv']],
  ])('%s ends with 2 and a sentence, without a stack', (_name, args) => {
    const run = drumline(...args);
    expect(run.status).toBe(2);
    expect(run.stdout).toBe('');
    expect(run.stderr.trim()).not.toBe('');
    expect(run.stderr).not.toMatch(/^\s+at /m);
  });

  it('of a port that another program has ends the gateway with 2, and frees the data folder', async () => {
    const other = createServer().listen(0, '127.0.0.1');
    await once(other, 'listening');
    const address = other.address();
    const port = typeof address === 'object' && address !== null ? String(address.port) : '';
    const run = drumline('serve', '--port', port, '--data', join(directory, 'taken'));
    other.close();
    expect(run.status).toBe(2);
    expect(run.stderr).toContain(`DRUMLINE_PORT ${port}: another program listens there already`);
    expect(run.stderr).not.toMatch(/^\s+at /m);
  });
});

describe('receipt lines', () => {
  const columns = 'receipt_id;material;area;received_at;dock_count;containers';
  const line = 'R-1;NQ-1001;east-dock;2026-06-04T07:05:00+01:00;2;"C-01;C-02"';

  it('are read from a file that a spreadsheet separated by semicolons', () => {
    const run = onData('expect', write('semicolons.csv', `${columns}\n${line}\n`), '--json');
    expect(run.status).toBe(0);
    expect(lastLine(run)).toMatchObject({ lines: [{ receiptId: 'R-1', outcome: 'new' }] });
  });

  it('in another encoding are refused, since labels would change unseen', () => {
    const latin1 = Buffer.from(`${columns}\n${line.replace('R-1', 'R-\u00fc')}\n`, 'latin1');
    const run = onData('expect', write('latin1.csv', latin1));
    expect(run.status).toBe(2);
    expect(run.stderr).toContain('not UTF-8');
  });
});

describe('what is known of a receipt', () => {
  beforeAll(() => {
    const file = write(
      'receipts.csv',
      'receipt_id,material,area,received_at,dock_count,containers\nR-7,NQ-1001,east-dock,2026-06-04T07:05:00+01:00,1,C-01\n',
    );
    expect(onData('expect', file).status).toBe(0);
  });

  it('is a statement with its containers and the cautions', () => {
    const run = onData('statement', '--receipt', 'R-7');
    expect(run.status).toBe(1);
    expect(run.stdout).toMatch(/^R-7: incomplete \(revision 1, valid until /);
    expect(run.stdout).toContain('  containers not-measured (1): C-01');
    expect(run.stdout).toContain('the quality unit releases');
  });

  it('is reconciled as text, as JSON and as CSV, each with 1 while something is open', () => {
    const text = onData('reconcile');
    expect(text.status).toBe(1);
    expect(text.stdout).toMatch(/ {2}not-measured +container C-01 of receipt R-7 has no accepted/);
    const json = onData('reconcile', '--json');
    expect(json.status).toBe(1);
    expect(lastLine(json)).toMatchObject({ site: 'northquay', stops: 0 });
    const file = join(directory, 'day.csv');
    const csv = onData('reconcile', '--format', 'csv', '--out', file, '--json');
    expect(csv.status).toBe(1);
    const { discrepancies } = lastLine(csv) as { discrepancies: number };
    const rows = readFileSync(file, 'utf8').split('\r\n');
    expect(rows.filter((row) => row.startsWith('discrepancy,'))).toHaveLength(discrepancies);
  });
});

describe('a key', () => {
  const create = (...more: string[]) =>
    onData('key', 'create', '--site', 'northquay', '--name', 'sync-a', '--scope', 'read', ...more);

  it('that would be expired at once is not made', () => {
    const run = create('--expires', '2020-01-01T00:00:00Z');
    expect(run.status).toBe(2);
    expect(run.stderr).toContain('expiresAt: expected a time to come');
    expect(onData('key', 'list', '--json').stdout).toBe('{"keys":[]}\n');
  });

  it('is listed with the day on which it ends', () => {
    expect(create('--expires', '2999-01-01T00:00:00Z').status).toBe(0);
    expect(onData('key', 'list').stdout).toContain('expires 2999-01-01T00:00:00.000000Z');
  });
});
