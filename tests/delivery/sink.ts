import { createServer, type IncomingMessage, type Server, type ServerResponse } from 'node:http';
import type { AddressInfo } from 'node:net';
import { afterEveryTest } from '../support/after-each.js';

export interface HeldEntry {
  readonly number: string;
  readonly reference: string;
  readonly key: string | null;
  applied: boolean;
  content: Record<string, unknown>;
}

/** What the sink does with the next request instead of a proper answer. */
export type Act =
  | 'store-then-hang'
  | 'store-then-reset'
  | 'hang'
  | 'reset'
  | 'store-twice'
  | 'drip'
  | 'endless'
  | 'garbled'
  | { readonly status: number; readonly words?: string; readonly retryAfter?: string };

export interface SinkOptions {
  readonly honoursKey?: boolean;
  /** What it keeps of a message; the default keeps it as sent. */
  readonly keeps?: (content: Record<string, unknown>) => Record<string, unknown>;
  readonly applies?: (content: Record<string, unknown>) => boolean;
}

const open: Sink[] = [];
afterEveryTest(async () => {
  for (const sink of open.splice(0)) await sink.close();
});

/**
 * A destination on a real socket: `POST /messages` stores, `GET /messages?reference=` lists what is held.
 * Its interface is invented for these tests.
 */
export class Sink {
  readonly entries: HeldEntry[] = [];
  /** Method, path and idempotency key of every request, in order. */
  readonly seen: {
    method: string;
    path: string;
    key: string | null;
    authorization: string | null;
  }[] = [];
  readonly #acts: { readonly method: string; readonly act: Act }[] = [];
  readonly #options: SinkOptions;
  readonly #server: Server;
  #numbers = 0;

  private constructor(options: SinkOptions) {
    this.#options = options;
    this.#server = createServer((request, response) => {
      void this.#serve(request, response);
    });
  }

  static async start(options: SinkOptions = {}): Promise<Sink> {
    const sink = new Sink(options);
    open.push(sink);
    await new Promise<void>((resolve) => sink.#server.listen(0, '127.0.0.1', resolve));
    return sink;
  }

  get url(): string {
    return `http://127.0.0.1:${this.port}`;
  }

  get port(): number {
    return (this.#server.address() as AddressInfo).port;
  }

  /** The next sends are answered so, one each. */
  onSend(...acts: readonly Act[]): void {
    this.#acts.push(...acts.map((act) => ({ method: 'POST', act })));
  }

  onAsk(...acts: readonly Act[]): void {
    this.#acts.push(...acts.map((act) => ({ method: 'GET', act })));
  }

  /** Answers properly from now on. */
  heal(): void {
    this.#acts.length = 0;
  }

  sends(): number {
    return this.seen.filter((r) => r.method === 'POST').length;
  }

  async close(): Promise<void> {
    this.#server.closeAllConnections();
    await new Promise((resolve) => this.#server.close(resolve));
  }

  async #serve(request: IncomingMessage, response: ServerResponse): Promise<void> {
    const method = request.method ?? '';
    const key = headerOf(request, 'idempotency-key');
    const authorization = headerOf(request, 'authorization');
    this.seen.push({ method, path: request.url ?? '', key, authorization });
    const body = await readAll(request);
    const index = this.#acts.findIndex((a) => a.method === method);
    const act = index < 0 ? undefined : this.#acts.splice(index, 1)[0]?.act;
    if (method === 'GET') this.#list(request, response, act);
    else this.#take(body, key, response, act);
  }

  #take(body: string, key: string | null, response: ServerResponse, act: Act | undefined): void {
    if (act === 'hang') return;
    if (act === 'reset') {
      response.destroy();
      return;
    }
    if (typeof act === 'object') {
      if (act.retryAfter !== undefined) response.setHeader('retry-after', act.retryAfter);
      response.writeHead(act.status, { 'content-type': 'text/plain' }).end(act.words ?? '');
      return;
    }
    const entry = this.#store(body, key);
    if (act === 'store-twice') this.#store(body, null);
    if (act === 'store-then-hang') return;
    if (act === 'store-then-reset') {
      response.destroy();
      return;
    }
    if (act === 'garbled') {
      response.writeHead(200).end('<<<');
      return;
    }
    response.writeHead(201, { 'content-type': 'application/json' });
    const text = JSON.stringify({ stored: true, number: entry.number, reference: entry.reference });
    if (act === 'drip' || act === 'endless') drip(response, text, act === 'endless');
    else response.end(text);
  }

  #store(body: string, key: string | null): HeldEntry {
    const held = this.entries.find((e) => e.key !== null && e.key === key);
    if (this.#options.honoursKey && held) return held;
    const content = JSON.parse(body) as Record<string, unknown>;
    this.#numbers += 1;
    const entry: HeldEntry = {
      number: `L-${String(this.#numbers).padStart(6, '0')}`,
      reference: String(content['reference']),
      key: this.#options.honoursKey ? key : null,
      applied: this.#options.applies?.(content) ?? true,
      content: this.#options.keeps?.(content) ?? content,
    };
    this.entries.push(entry);
    return entry;
  }

  #list(request: IncomingMessage, response: ServerResponse, act: Act | undefined): void {
    if (act === 'hang') return;
    if (typeof act === 'object') {
      response.writeHead(act.status).end(act.words ?? '');
      return;
    }
    const reference = new URL(request.url ?? '', this.url).searchParams.get('reference');
    const entries = this.entries
      .filter((e) => e.reference === reference)
      .map(({ number, applied, content }) => ({ number, applied, content }));
    response.writeHead(200, { 'content-type': 'text/html' });
    if (act === 'endless') drip(response, '', true);
    else response.end(JSON.stringify({ entries }));
  }
}

/** A byte every few milliseconds, or large pieces without end, until the other side gives up. */
function drip(response: ServerResponse, text: string, isEndless: boolean): void {
  let at = 0;
  const timer = setInterval(() => {
    if (response.destroyed) {
      clearInterval(timer);
      return;
    }
    if (isEndless) response.write('x'.repeat(16_384));
    else response.write(text[at++ % Math.max(1, text.length)] ?? ' ');
  }, 5);
  response.on('close', () => clearInterval(timer));
}

async function readAll(request: IncomingMessage): Promise<string> {
  const chunks: Buffer[] = [];
  for await (const chunk of request) chunks.push(chunk as Buffer);
  return Buffer.concat(chunks).toString('utf8');
}

function headerOf(request: IncomingMessage, name: string): string | null {
  const value = request.headers[name];
  return typeof value === 'string' ? value : null;
}
