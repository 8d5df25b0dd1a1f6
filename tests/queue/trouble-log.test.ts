import { pino } from 'pino';
import { describe, expect, it } from 'vitest';
import { TroubleLog } from '../../src/queue/trouble-log.js';

function world() {
  const lines: Record<string, unknown>[] = [];
  const log = pino({ level: 'debug' }, { write: (line: string) => lines.push(JSON.parse(line)) });
  let now = 0;
  const trouble = new TroubleLog(log, () => now);
  return { lines, trouble, pass: (ms: number) => (now += ms) };
}

describe('a trouble that repeats', () => {
  it('is said once a minute, with how often it came meanwhile', () => {
    const { lines, trouble, pass } = world();
    for (let port = 50_000; port < 50_100; port += 1) {
      trouble.note('work.failed', `connect 10.0.0.1:${port}`, { level: 'error', bell: 'receipts' });
    }
    expect(lines).toMatchObject([{ level: 50, bell: 'receipts', repeated: 0 }]);
    pass(60_000);
    trouble.note('work.failed', 'connect 10.0.0.1:1', { level: 'error', bell: 'receipts' });
    expect(lines[1]).toMatchObject({ event: 'work.failed', repeated: 99 });
  });

  it('hides no other one', () => {
    const { lines, trouble } = world();
    trouble.note('work.failed', 'receipts: one');
    trouble.note('work.failed', 'receipts: another');
    trouble.note('queue.trouble', 'receipts: one');
    expect(lines.map(({ level }) => level)).toEqual([40, 40, 40]);
  });
});
