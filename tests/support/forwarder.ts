import { once } from 'node:events';
import { type AddressInfo, connect, createServer, type Socket } from 'node:net';
import { setTimeout as wait } from 'node:timers/promises';
import { SERVER_URL } from './postgres-server.js';

/** Passes everything on to the server, until it is told to pass nothing on of the connections that there are. */
export async function openForwarder() {
  const server = new URL(SERVER_URL);
  const pairs = new Set<readonly [Socket, Socket]>();
  let asked = '';
  const listener = createServer((near) => {
    const far = connect(Number(server.port), server.hostname);
    pairs.add([near, far]);
    near.on('data', (chunk) => {
      asked += chunk.toString('latin1');
    });
    near.pipe(far);
    far.pipe(near);
    for (const socket of [near, far]) socket.on('error', () => undefined);
  });
  listener.listen(0, '127.0.0.1');
  await once(listener, 'listening');
  const url = new URL(SERVER_URL);
  url.port = String((listener.address() as AddressInfo).port);
  return {
    url: url.href,
    silence: () => {
      for (const [near, far] of pairs) {
        near.unpipe(far);
        far.unpipe(near);
        // Taken in and passed on to nobody.
        for (const socket of [near, far]) socket.resume();
      }
    },
    /** Passes no answers on until everything in `texts` was asked for. */
    holdAnswersUntil: async (texts: readonly string[]) => {
      for (const [near, far] of pairs) far.unpipe(near);
      while (texts.some((text) => !asked.includes(text))) await wait(1);
      for (const [near, far] of pairs) far.pipe(near);
    },
    close: () => {
      for (const pair of pairs) for (const socket of pair) socket.destroy();
      listener.close();
    },
  };
}
