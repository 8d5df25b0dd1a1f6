import { fork } from 'node:child_process';
import { once } from 'node:events';
import { existsSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, describe, expect, it, vi } from 'vitest';
import { assembleBundle } from '../../src/checks/assemble-bundle.js';
import { UnitDied } from '../../src/pipeline/examine.pool.js';
import { ExamineChild } from '../../src/pipeline/examine-child.endpoint.js';
import { examineUnit } from '../../src/pipeline/examine-unit.js';
import { goodParts, goodResult, NOW, SITE, validateSchema } from '../checks/fixture.js';
import { repositoryRoot } from '../support/shared.js';
import { until } from '../support/until.js';

const TASK = {
  bytes: assembleBundle(goodParts([goodResult(1)])).bytes,
  receivedAt: NOW,
  now: NOW,
  registry: null,
};

let child: ExamineChild;
afterEach(async () => {
  vi.useRealTimers();
  await child.close();
});

/** Which processes there are, and how they stand, is read from there. */
const hasProc = existsSync('/proc/self/stat');

describe.skipIf(!hasProc)('a bundle examined in a process of its own (needs /proc)', () => {
  it('comes out as from a thread, and the next one in the same process', async () => {
    child = new ExamineChild();
    const unit = examineUnit(TASK, SITE, validateSchema);
    expect(await child.examine(TASK, SITE)).toEqual(unit);
    const [first] = children();
    expect(await child.examine(TASK, SITE)).toEqual(unit);
    expect(children()).toEqual([first]);
  });

  it('is to blame where the process ends under it, and the next one finds another', async () => {
    child = new ExamineChild();
    const pid = await stopped(child);
    const examining = child.examine(TASK, SITE);
    process.kill(pid, 'SIGKILL');
    await expect(examining).rejects.toBeInstanceOf(UnitDied);
    expect((await child.examine(TASK, SITE)).kind).toBe('readable');
    expect(children()).not.toContain(pid);
  });

  it('is to blame where the process gives no answer in time', async () => {
    child = new ExamineChild(50_000);
    const pid = await stopped(child);
    vi.useFakeTimers({ toFake: ['setTimeout', 'clearTimeout'] });
    const examining = child.examine(TASK, SITE);
    const blamed = expect(examining).rejects.toBeInstanceOf(UnitDied);
    await vi.advanceTimersByTimeAsync(50_000);
    await blamed;
    expect(children()).not.toContain(pid);
  });

  it('is not to blame where the process cannot come up', async () => {
    child = new ExamineChild();
    const examining = child.examine(TASK, SITE);
    for (const pid of children()) process.kill(pid, 'SIGKILL');
    const error = await examining.catch((err: unknown) => err);
    expect(error).toBeInstanceOf(Error);
    expect(error).not.toBeInstanceOf(UnitDied);
  });

  it('is not to blame where the gateway ends it, nor for a signal to its whole group', async () => {
    child = new ExamineChild();
    await child.examine(TASK, SITE);
    const [pid = 0] = children();
    for (const signal of ['SIGTERM', 'SIGINT', 'SIGHUP']) process.kill(pid, signal);
    expect((await child.examine(TASK, SITE)).kind).toBe('readable');
    expect(children()).toEqual([pid]);

    process.kill(pid, 'SIGSTOP');
    const examining = child.examine(TASK, SITE).catch((err: unknown) => err);
    await child.close();
    expect(await examining).not.toBeInstanceOf(UnitDied);
    expect(children()).toEqual([]);
  });

  it('ends with the gateway', async () => {
    child = new ExamineChild();
    const orphan = fork(join(repositoryRoot(), 'dist/pipeline/examine.process.js'), [], {
      execArgv: [],
      serialization: 'advanced',
    });
    await once(orphan, 'message');
    const gone = once(orphan, 'exit');
    orphan.send({ task: TASK, site: SITE }, () => orphan.disconnect());
    expect(await gone).toEqual([0, null]);
  });
});

/** A process that is up and has examined one, and now stands still. */
async function stopped(of: ExamineChild): Promise<number> {
  await of.examine(TASK, SITE);
  const [pid = 0] = children();
  process.kill(pid, 'SIGSTOP');
  await until('it stands still', () => stateOf(pid) === 'T');
  return pid;
}

/** Processes that this one started to examine bundles. */
function children(): number[] {
  const pids = readFileSync(`/proc/${process.pid}/task/${process.pid}/children`, 'utf8');
  return pids
    .split(' ')
    .filter((pid) => pid !== '')
    .map(Number)
    .filter((pid) => readFileSync(`/proc/${pid}/cmdline`, 'utf8').includes('examine.process'));
}

function stateOf(pid: number): string {
  const stat = readFileSync(`/proc/${pid}/stat`, 'utf8');
  return stat.slice(stat.lastIndexOf(')') + 2, stat.lastIndexOf(')') + 3);
}
