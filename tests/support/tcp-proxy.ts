import { once } from 'node:events';
import { connect, createServer, type Server, type Socket } from 'node:net';
import { setTimeout as wait } from 'node:timers/promises';

interface Pair {
  readonly near: Socket;
  readonly far: Socket;
  isStalled: boolean;
}

/** Whom it forwards to. */
interface Behind {
  readonly host: string;
  readonly port: number;
}

/**
 * Forwards connections to a server, until it stops to without a word: neither end of a stalled
 * connection hears of it, as when a firewall forgets it. New connections pass.
 */
export class TcpProxy {
  readonly #pairs = new Set<Pair>();
  /** The next connection on which this is asked goes silent; null where none does. */
  #silentAt: string | null = null;
  /** What was asked while answers were held; null where none are. */
  #asked: string | null = null;

  private constructor(
    private readonly server: Server,
    readonly port: number,
  ) {}

  static async open(behind: Behind): Promise<TcpProxy> {
    const server = createServer({ allowHalfOpen: true });
    server.listen(0, '127.0.0.1');
    await once(server, 'listening');
    const address = server.address();
    if (address === null || typeof address === 'string') throw new Error('the proxy has no port');
    const proxy = new TcpProxy(server, address.port);
    server.on('connection', (near) => proxy.#forward(near, behind));
    return proxy;
  }

  /** Every connection that stands now goes silent for good; returns how many. */
  stall(): number {
    let count = 0;
    for (const pair of this.#pairs) {
      if (pair.isStalled) continue;
      silence(pair);
      count += 1;
    }
    return count;
  }

  /** The next connection on which `text` is asked goes silent for good instead of passing it on. */
  stallAt(text: string): void {
    this.#silentAt = text;
  }

  /** Passes no answers on until everything in `texts` was asked for. */
  async holdAnswersUntil(texts: readonly string[]): Promise<void> {
    this.#asked = '';
    for (const { far } of this.#pairs) far.pause();
    while (this.server.listening && texts.some((text) => !this.#asked?.includes(text))) {
      await wait(1);
    }
    this.#asked = null;
    for (const { far, isStalled } of this.#pairs) if (!isStalled) far.resume();
  }

  async close(): Promise<void> {
    for (const { near, far } of this.#pairs) {
      near.destroy();
      far.destroy();
    }
    this.#pairs.clear();
    this.server.close();
    await once(this.server, 'close');
  }

  #forward(near: Socket, { host, port }: Behind): void {
    const far = connect({ port, host, allowHalfOpen: true });
    const pair: Pair = { near, far, isStalled: false };
    this.#pairs.add(pair);
    for (const [from, to] of [
      [near, far],
      [far, near],
    ] as const) {
      from.setNoDelay(true);
      from.on('data', (bytes) => {
        if (this.#asked !== null && from === near) this.#asked += bytes.toString('latin1');
        if (from === near && this.#silentAt !== null && bytes.includes(this.#silentAt)) {
          this.#silentAt = null;
          silence(pair);
        }
        if (pair.isStalled || to.destroyed || to.writableEnded) return;
        if (!to.write(bytes)) from.pause();
      });
      from.on('drain', () => {
        if (!pair.isStalled) to.resume();
      });
      from.on('end', () => {
        if (!pair.isStalled && !to.destroyed) to.end();
      });
      // A reset of one end is one of the other, unless nothing passes any more.
      from.on('error', () => {
        if (!pair.isStalled) to.destroy();
      });
      from.on('close', () => {
        if (pair.isStalled) return;
        to.destroy();
        this.#pairs.delete(pair);
      });
    }
  }
}

function silence(pair: Pair): void {
  pair.isStalled = true;
  pair.near.pause();
  pair.far.pause();
}
