import { describe, expect, it } from 'vitest';
import { WorkGroup } from '../../src/delivery/work-group.js';

function work() {
  let end: () => void = () => undefined;
  const ended = new Promise<void>((resolve) => {
    end = resolve;
  });
  return { end, ended };
}

describe('a group of work', () => {
  it('knows what ended while its caller was looking for more', async () => {
    const group = new WorkGroup();
    const { end, ended } = work();
    group.look();
    group.add('build', ended);
    expect(group.hasEndedSinceLook).toBe(false);
    end();
    await group.end();
    expect(group).toMatchObject({ size: 0, hasEndedSinceLook: true });
    group.look();
    expect(group.hasEndedSinceLook).toBe(false);
  });

  it('counts what failed as ended, and throws it at the end', async () => {
    const group = new WorkGroup();
    group.look();
    group.add('send', Promise.reject(new Error('the disk is full')));
    await expect(group.end()).rejects.toThrow('the disk is full');
    expect(group).toMatchObject({ hasEndedSinceLook: true, hasFailed: true });
    expect(group.running('send')).toBe(0);
  });
});
