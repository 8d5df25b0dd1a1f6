import { Writable } from 'node:stream';
import { pino } from 'pino';
import { BullMqQueue } from '../../src/queue/bullmq.queue.js';
import { type Bell, bellsOf } from '../../src/queue/work-queue.js';
import { anchoredClock, type Clock } from '../../src/storage/clock.js';

export interface LogLine {
  readonly level: number;
  readonly event: string;
  readonly [field: string]: unknown;
}

export interface OpenedQueue {
  readonly queue: BullMqQueue;
  readonly log: readonly LogLine[];
  /** Log lines of an event. */
  lines(event: string): readonly LogLine[];
}

export const SITE = 'northquay';
export const INSTANCE = '01900000-0000-7000-8000-000000000001';
export const BELLS = bellsOf(['lims', 'erp']);

/** One process's queue, as `openPair` opens it; several of them on one Redis are several processes. */
export async function openQueue(
  url: string,
  options: {
    readonly instance?: string;
    readonly clock?: Clock;
    readonly onError?: (bell: Bell, error: unknown) => void;
  } = {},
): Promise<OpenedQueue> {
  const log: LogLine[] = [];
  const sink = new Writable({
    write: (chunk, _encoding, done) => {
      log.push(JSON.parse(String(chunk)) as LogLine);
      done();
    },
  });
  const queue = await BullMqQueue.open({
    url,
    owner: { site: SITE, instance: options.instance ?? INSTANCE, bells: BELLS },
    clock: options.clock ?? anchoredClock(),
    log: pino({ level: 'debug' }, sink),
    onError: options.onError ?? ((_bell, error) => Promise.reject(error)),
  });
  return { queue, log, lines: (event) => log.filter((line) => line.event === event) };
}
