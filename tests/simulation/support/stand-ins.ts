import { request } from 'undici';
import type { Instant } from '../../../src/formats/instant.js';
import type { Clock } from '../../../src/storage/clock.js';

export const TOKEN = 'stand-in-token';

/** A clock that stands still until a test moves it. */
export class TestClock implements Clock {
  #now = 1_780_000_000_000_000 as Instant;
  now(): Instant {
    return this.#now;
  }
  forwardMs(ms: number): void {
    this.#now = (this.#now + ms * 1000) as Instant;
  }
}

export interface Answer {
  readonly status: number;
  readonly text: string;
  readonly retryAfter: string | undefined;
}

export async function call(
  url: string,
  path: string,
  options: {
    readonly body?: string;
    readonly key?: string;
    readonly token?: string;
    readonly method?: 'GET' | 'POST' | 'PUT';
    readonly deadlineMs?: number;
  } = {},
): Promise<Answer> {
  const answer = await request(new URL(path, url), {
    method: options.method ?? (options.body === undefined ? 'GET' : 'POST'),
    headers: {
      authorization: `Bearer ${options.token ?? TOKEN}`,
      ...(options.key === undefined ? {} : { 'idempotency-key': `"${options.key}"` }),
    },
    body: options.body ?? null,
    signal: AbortSignal.timeout(options.deadlineMs ?? 5000),
  });
  const retryAfter = answer.headers['retry-after'];
  return {
    status: answer.statusCode,
    text: await answer.body.text(),
    retryAfter: typeof retryAfter === 'string' ? retryAfter : undefined,
  };
}

/** Asks again until the condition holds; fails after five seconds. */
export async function until(condition: () => boolean | Promise<boolean>): Promise<void> {
  const end = performance.now() + 5000;
  while (!(await condition())) {
    if (performance.now() > end) throw new Error('the condition did not come true within 5 s');
    await new Promise((resolve) => setTimeout(resolve, 5));
  }
}

export function erpMessage(
  reference: string,
  messageType: string,
  body: Readonly<Record<string, string>>,
): string {
  const fields = Object.entries(body)
    .map(([name, text]) => `<${name}>${text}</${name}>`)
    .join('');
  return `<?xml version="1.0" encoding="UTF-8"?><IdentityMessage><Header><Reference>${reference}</Reference><MessageType>${messageType}</MessageType></Header><Body>${fields}</Body></IdentityMessage>`;
}

export function statement(reference: string, revision: number, usage: string, receipt = 'r-1') {
  return erpMessage(reference, usage.startsWith('BLOCK') ? 'stop' : 'statement', {
    Receipt: receipt,
    Revision: String(revision),
    UsageDecision: usage,
  });
}
