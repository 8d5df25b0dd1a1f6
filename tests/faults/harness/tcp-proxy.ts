import { once } from 'node:events';
import { connect, createServer, type Server, type Socket } from 'node:net';

interface Pair {
  readonly near: Socket;
  readonly far: Socket;
  isStalled: boolean;
}

/**
 * Forwards connections to a port of this machine, until it stops to without a word: neither end of a stalled
 * connection hears of it, as when a firewall forgets it. New connections pass.
 */
export class TcpProxy {
  readonly #pairs = new Set<Pair>();

  private constructor(
    private readonly server: Server,
    readonly port: number,
  ) {}

  static async open(target: number): Promise<TcpProxy> {
    const server = createServer({ allowHalfOpen: true });
    server.listen(0, '127.0.0.1');
    await once(server, 'listening');
    const address = server.address();
    if (address === null || typeof address === 'string') throw new Error('the proxy has no port');
    const proxy = new TcpProxy(server, address.port);
    server.on('connection', (near) => proxy.#forward(near, target));
    return proxy;
  }

  /** Every connection that stands now goes silent for good; returns how many. */
  stall(): number {
    let count = 0;
    for (const pair of this.#pairs) {
      if (pair.isStalled) continue;
      pair.isStalled = true;
      pair.near.pause();
      pair.far.pause();
      count += 1;
    }
    return count;
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

  #forward(near: Socket, target: number): void {
    const far = connect({ port: target, host: '127.0.0.1', allowHalfOpen: true });
    const pair: Pair = { near, far, isStalled: false };
    this.#pairs.add(pair);
    for (const [from, to] of [
      [near, far],
      [far, near],
    ] as const) {
      from.setNoDelay(true);
      from.on('data', (bytes) => {
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
