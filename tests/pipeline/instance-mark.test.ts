import { execFileSync } from 'node:child_process';
import type * as Fs from 'node:fs';
import { readdirSync, readFileSync, renameSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { setTimeout as wait } from 'node:timers/promises';
import { beforeEach, describe, expect, it, vi } from 'vitest';
import { readMark, writeMark } from '../../src/pipeline/instance-mark.files.js';
import { temporaryDirectory } from '../support/temp-database.js';

/** What a file system says about when a file was made. */
type Births = 'real' | 'none' | 'as changed' | 'of the one before';
const told = vi.hoisted(() => ({ births: 'real' as Births }));

vi.mock('node:fs', async (original) => {
  const fs = await original<typeof Fs>();
  const FIRST_MS = 1_000n;
  const tell = (facts: Fs.BigIntStats, isNamed: boolean) => {
    const { births } = told;
    const given = {
      real: facts.birthtimeNs,
      none: 0n,
      'as changed': facts.ctimeNs,
      'of the one before': isNamed ? FIRST_MS * 1_000_000n : facts.birthtimeNs,
    }[births];
    return Object.assign(facts, { birthtimeNs: given });
  };
  return {
    ...fs,
    statSync: (path: string, options: { bigint: true }) => tell(fs.statSync(path, options), true),
    fstatSync: (file: number, options: { bigint: true }) =>
      tell(fs.fstatSync(file, options), false),
  };
});

const MARK = { instance: 'i', epoch: 1 };
/** Longer than the step of a clock that file systems go by. */
const STEP_MS = 20;

let live: string;
const nightly = () => `${live}-nightly`;

async function goOn(tick: number): Promise<void> {
  await wait(STEP_MS);
  writeMark(live, { ...MARK, tick });
}

/** As from one night to the next: copied, gone on with, and put back over itself. */
async function putBack(): Promise<void> {
  await goOn(1);
  await wait(STEP_MS);
  execFileSync('cp', ['-a', live, nightly()]);
  await goOn(2);
  await wait(STEP_MS);
  execFileSync('cp', ['-a', `${nightly()}/.`, live]);
  await wait(STEP_MS);
}

beforeEach(() => {
  told.births = 'real';
  live = join(temporaryDirectory(), 'live');
});

describe('what is remembered beside a database', () => {
  it('is of its own file however often it is written, moved or given to others', async () => {
    for (const tick of [1, 2, 3]) {
      await goOn(tick);
      expect(readMark(live)).toEqual({ ...MARK, tick, isCopied: false });
    }
    expect(readdirSync(live)).toEqual(['instance.json']);
    await wait(STEP_MS);
    renameSync(live, nightly());
    execFileSync('chmod', ['-R', 'go+r', nightly()]);
    expect(readMark(nightly())).toMatchObject({ tick: 3, isCopied: false });
  });

  it('is seen to be copied where it was put back over a later one, until it is written again', async () => {
    await putBack();
    expect(readMark(live)).toEqual({ ...MARK, tick: 1, isCopied: true });
    writeMark(live, { instance: 'i', epoch: 2, tick: 2 });
    expect(readMark(live)).toMatchObject({ epoch: 2, isCopied: false });
  });

  it('is seen to be copied in a copy that nothing was changed of since it was made', async () => {
    await goOn(1);
    await wait(STEP_MS);
    execFileSync('cp', ['-a', live, nightly()]);
    await wait(STEP_MS);
    expect(readMark(nightly())).toMatchObject({ tick: 1, isCopied: true });
    expect(readMark(live)).toMatchObject({ tick: 1, isCopied: false });
  });

  it('says nothing of it where the file was written by a version that did not know', async () => {
    await goOn(1);
    writeFileSync(join(live, 'instance.json'), JSON.stringify({ ...MARK, tick: 1 }));
    expect(readMark(live)).toEqual({ ...MARK, tick: 1, isCopied: false });
  });

  it('stays what it is when an earlier state is written', async () => {
    await goOn(5);
    writeMark(live, { ...MARK, tick: 4 });
    expect(readMark(live)).toMatchObject({ tick: 5 });
  });
});

describe.each<Births>(['none', 'as changed', 'of the one before'])(
  'on a file system that tells of births %s',
  (births) => {
    it('nothing is taken for a copy that may be none', async () => {
      told.births = births;
      for (const tick of [1, 2]) {
        await goOn(tick);
        expect(readMark(live)).toEqual({ ...MARK, tick, isCopied: false });
      }
      await wait(STEP_MS);
      execFileSync('chmod', ['-R', 'go+r', live]);
      expect(readMark(live)).toMatchObject({ tick: 2, isCopied: false });
      await putBack();
      expect(readMark(live)?.isCopied).toBe(false);
    });
  },
);

it.each<Births>(['none', 'as changed'])(
  'what was written where births were known is not taken for a copy where they are told %s',
  async (births) => {
    await goOn(1);
    expect(readFileSync(join(live, 'instance.json'), 'utf8')).toContain('bornMs');
    told.births = births;
    expect(readMark(live)).toMatchObject({ tick: 1, isCopied: false });
  },
);
