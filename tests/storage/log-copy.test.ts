import { statSync } from 'node:fs';
import Database from 'better-sqlite3';
import { describe, expect, it } from 'vitest';
import { databaseFile, openDatabase } from '../../src/storage/database.js';
import { LogCopy, type LogCopyOptions } from '../../src/storage/log-copy.js';
import { pagesToCopy } from '../../src/storage/pages-to-copy.js';
import { temporaryDirectory } from '../support/temp-database.js';

const MB = 1024 * 1024;
const PAGES_A_MB = 256;
const PAGES = 100;
/** Commits from one look at the log to the next. */
const LOOK = 16;

describe('the log of a SQLite file', () => {
  it('is copied beside the thread that writes, and begun anew', async () => {
    const directory = temporaryDirectory();
    const database = await openDatabase(directory);
    const path = databaseFile(directory);
    const write = async (name: string, megabytes: number) => {
      for (let n = 0; n < megabytes; n += 1) {
        const bytes = new Uint8Array(MB).fill(n);
        await database.transact((trx) =>
          trx
            .insertInto('raw_bytes')
            .values({ sha256: `${name}-${n}`, size: MB, bytes })
            .execute(),
        );
      }
    };
    // Copied from 32 MiB on; SQLite itself would do it at 128.
    await write('first', 60);
    const beside = new Database(path);
    // What was written while it was copied, or after, waits for the next copy: on a slow disk up to half of it.
    await expect.poll(() => pagesToCopy(beside), { timeout: 20_000 }).toBeLessThan(30 * PAGES_A_MB);
    beside.close();
    await write('second', 50);
    expect(statSync(`${path}-wal`).size / MB).toBeLessThan(100);
    await database.close();
    const file = new Database(path, { readonly: true });
    expect(file.prepare('select count(*) as n from raw_bytes').get()).toEqual({ n: 110 });
    expect(file.pragma('integrity_check')).toEqual([{ integrity_check: 'ok' }]);
    file.close();
  }, 60_000);

  it('is copied to its end while nothing is written, once little is left', async () => {
    const world = copying([1_000, 400, 150, 0]);
    world.waiting = PAGES;
    await world.commits(LOOK);
    expect(world.events).toEqual(['copy', 'copy', 'copy', 'aside', 'copy', 'goes on']);
  });

  it('is not copied for ever where as much comes as is copied', async () => {
    const world = copying([1_000, 900, 0]);
    world.waiting = PAGES;
    await world.commits(LOOK);
    expect(world.events).toEqual(['copy', 'copy', 'aside', 'copy', 'goes on']);
  });

  it('is left alone while it is short, and while a reader keeps what was there the last time', async () => {
    const world = copying([0, 70, 0, 0]);
    world.waiting = PAGES - 1;
    await world.commits(LOOK);
    expect(world.events).toEqual([]);
    world.waiting = PAGES;
    await world.commits(LOOK - 1);
    expect(world.events).toEqual([]);
    await world.commits(1);
    expect(world.events).toEqual(['copy', 'aside', 'copy', 'goes on']);
    world.waiting = 70 + PAGES - 1;
    await world.commits(LOOK);
    expect(world.events).toHaveLength(4);
    world.waiting = 70 + PAGES;
    await world.commits(LOOK);
    expect(world.events).toHaveLength(8);
  });

  it('is left to SQLite for a while where it could not be copied, or not be asked for, and no commit fails for it', async () => {
    const failing = copying([new Error('EIO (simulated)'), 0, 0]);
    failing.waiting = PAGES;
    await failing.commits(1_000);
    expect(failing.events).toEqual(['copy']);
    await failing.commits(48);
    expect(failing.events).toEqual(['copy', 'copy', 'aside', 'copy', 'goes on']);
    const mute = copying([0, 0]);
    mute.waiting = new Error('SQLITE_IOERR (simulated)');
    await mute.commits(1_000);
    mute.waiting = PAGES;
    await mute.commits(48);
    expect(mute.events).toEqual(['copy', 'aside', 'copy', 'goes on']);
  });

  it('is copied at its usual length again once the reader that kept much of it is gone', async () => {
    const world = copying([30_000, 30_000, 30_000, 0, 0]);
    world.waiting = 30_000;
    await world.commits(LOOK);
    expect(world.events).toEqual(['copy', 'copy', 'aside', 'copy', 'goes on']);
    world.waiting = 0;
    await world.commits(LOOK);
    world.waiting = PAGES;
    await world.commits(LOOK);
    expect(world.events.slice(5)).toEqual(['copy', 'aside', 'copy', 'goes on']);
  });

  it('is copied no more once it is closed, which waits for a copy', async () => {
    let end: (left: number) => void = () => undefined;
    const events: string[] = [];
    const log = new LogCopy({
      pages: PAGES,
      waiting: () => PAGES,
      copy: () => {
        events.push('copy');
        return new Promise<number>((resolve) => {
          end = resolve;
        });
      },
      aside: (work) => work(),
    });
    for (let i = 0; i < LOOK; i += 1) log.noteCommit();
    const closed = log.close().then(() => events.push('closed'));
    await new Promise((resolve) => setImmediate(resolve));
    expect(events).toEqual(['copy']);
    end(10);
    await closed;
    for (let i = 0; i < LOOK; i += 1) log.noteCommit();
    expect(events).toEqual(['copy', 'closed']);
  });
});

/** @param answers of each copy in turn: pages that are left, or why it failed */
function copying(answers: readonly (number | Error)[]) {
  const events: string[] = [];
  const left = [...answers];
  const world = {
    events,
    waiting: 0 as number | Error,
    commits: async (count: number) => {
      for (let i = 0; i < count; i += 1) {
        log.noteCommit();
        await new Promise((resolve) => setImmediate(resolve));
      }
    },
  };
  const options: LogCopyOptions = {
    pages: PAGES,
    waiting: () => orThrow(world.waiting),
    copy: async () => {
      events.push('copy');
      return orThrow(left.shift() ?? new Error('one copy too many'));
    },
    aside: async (work) => {
      events.push('aside');
      const done = await work();
      events.push('goes on');
      return done;
    },
  };
  const log = new LogCopy(options);
  return world;
}

function orThrow(answer: number | Error): number {
  if (answer instanceof Error) throw answer;
  return answer;
}
