import { readdirSync, readFileSync } from 'node:fs';
import * as files from 'node:fs/promises';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import type { SendRequest } from '../../src/delivery/endpoint.js';
import { FileDropEndpoint } from '../../src/delivery/file-drop.endpoint.js';
import { temporaryDirectory } from '../support/temp-database.js';
import { until } from '../support/until.js';

const BODY = Buffer.from('<Message/>');
const REQUEST: SendRequest = {
  key: 'D-1.1',
  method: 'PUT',
  path: 'D-1.xml',
  contentType: 'application/xml',
  body: BODY,
  deadlineMs: 1_000,
  mayLeave: () => true,
};

describe('the file drop', () => {
  it('takes an equal file that is there already as accepted earlier', async () => {
    const directory = temporaryDirectory();
    const drop = new FileDropEndpoint({ directory });
    expect(await drop.send(REQUEST)).toEqual({
      kind: 'stored',
      reference: 'D-1.xml',
      existed: false,
    });
    expect(await drop.send(REQUEST)).toEqual({
      kind: 'stored',
      reference: 'D-1.xml',
      existed: true,
    });
    expect(await files.readdir(directory)).toEqual(['D-1.xml']);
  });

  it('never overwrites another’s file', async () => {
    const directory = temporaryDirectory();
    await files.writeFile(join(directory, 'D-1.xml'), 'theirs');
    const end = await new FileDropEndpoint({ directory }).send(REQUEST);
    expect(end.kind).toBe('conflict');
    expect(await files.readFile(join(directory, 'D-1.xml'), 'utf8')).toBe('theirs');
  });

  it('makes nothing visible past its deadline', async () => {
    const directory = temporaryDirectory();
    let linked = 0;
    const slow = {
      ...files,
      open: async (...args: Parameters<typeof files.open>) => {
        await new Promise((resolve) => setTimeout(resolve, 60));
        return await files.open(...args);
      },
      link: async (...args: Parameters<typeof files.link>) => {
        linked += 1;
        await files.link(...args);
      },
    };
    const drop = new FileDropEndpoint({ directory, files: slow });
    expect((await drop.send({ ...REQUEST, deadlineMs: 20 })).kind).toBe('broken');
    const before = performance.now();
    await until('what was written is gone', async () => {
      const isOver = performance.now() - before > 60;
      return isOver && (await files.readdir(directory)).length === 0;
    });
    expect(linked).toBe(0);
  });

  it('asks whether it may still appear when all of it is written, and leaves no trace where it may not', async () => {
    const directory = temporaryDirectory();
    const written: string[] = [];
    const drop = new FileDropEndpoint({ directory });
    const end = await drop.send({
      ...REQUEST,
      mayLeave: () => {
        for (const name of readdirSync(directory)) {
          written.push(readFileSync(join(directory, name), 'utf8'));
        }
        return false;
      },
    });
    expect(end.kind).toBe('postponed');
    expect(written).toEqual([Buffer.from(REQUEST.body).toString()]);
    expect(await files.readdir(directory)).toEqual([]);
  });

  it('sweeps what a process that died left, and nothing else', async () => {
    const directory = temporaryDirectory();
    const left = `.drumline-${'0'.repeat(8)}-0000-4000-8000-${'0'.repeat(12)}.part`;
    for (const name of [left, '.other.part', 'kept.part']) {
      await files.writeFile(join(directory, name), 'half');
    }
    await new FileDropEndpoint({ directory }).send(REQUEST);
    expect((await files.readdir(directory)).sort()).toEqual([
      '.other.part',
      'D-1.xml',
      'kept.part',
    ]);
  });

  it('keeps a visible file whole although its temporary name was left behind', async () => {
    const directory = temporaryDirectory();
    const target = join(directory, 'D-1.xml');
    await new FileDropEndpoint({ directory }).send(REQUEST);
    const left = `.drumline-${'1'.repeat(8)}-0000-4000-8000-${'0'.repeat(12)}.part`;
    await files.link(target, join(directory, left));
    expect(await new FileDropEndpoint({ directory }).send(REQUEST)).toMatchObject({
      existed: true,
    });
    expect(await files.readFile(target)).toEqual(BODY);
  });

  it.each(['../D-1.xml', '/etc/D-1.xml', 'a/b.xml', '.hidden', '', 'x'.repeat(201), 'D-1.xml\n'])(
    'refuses the name %j',
    async (path) => {
      const directory = temporaryDirectory();
      const drop = new FileDropEndpoint({ directory });
      expect((await drop.send({ ...REQUEST, path })).kind).toBe('unreached');
      expect((await drop.ask({ path, deadlineMs: 100 })).kind).toBe('unavailable');
      expect(await files.readdir(directory)).toEqual([]);
    },
  );

  it('reads back no link, no folder and no file that is far too large', async () => {
    const directory = temporaryDirectory();
    const drop = new FileDropEndpoint({ directory });
    await files.writeFile(join(directory, 'elsewhere'), BODY);
    await files.symlink(join(directory, 'elsewhere'), join(directory, 'link.xml'));
    await files.mkdir(join(directory, 'folder.xml'));
    const large = await files.open(join(directory, 'large.xml'), 'w');
    await large.truncate(8_388_609);
    await large.close();
    for (const path of ['link.xml', 'folder.xml', 'large.xml']) {
      expect((await drop.ask({ path, deadlineMs: 1_000 })).kind).toBe('unavailable');
    }
  });

  it('does not write through a link that stands under the name', async () => {
    const directory = temporaryDirectory();
    const victim = join(directory, 'victim');
    await files.writeFile(victim, 'theirs');
    await files.symlink(victim, join(directory, 'D-1.xml'));
    const end = await new FileDropEndpoint({ directory }).send(REQUEST);
    expect(end.kind).not.toBe('stored');
    expect(await files.readFile(victim, 'utf8')).toBe('theirs');
  });
});
