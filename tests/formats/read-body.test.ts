import { once } from 'node:events';
import { createServer, request, type Server } from 'node:http';
import type { AddressInfo } from 'node:net';
import { afterEach, describe, expect, it } from 'vitest';
import { readLargeBody } from '../../src/formats/read-body.files.js';

const LIMIT = 1_000_000;
const SHARED_FROM = 1_000;
const servers: Server[] = [];
afterEach(() => {
  for (const server of servers.splice(0)) server.close();
});

/** A server that reads one body: what it read, or how that failed. */
async function reading() {
  const server = createServer();
  servers.push(server);
  const read = new Promise<Buffer | null>((resolve, reject) => {
    server.on('request', (incoming, answer) => {
      readLargeBody(incoming, LIMIT, SHARED_FROM)
        .then(resolve, reject)
        .finally(() => answer.end());
    });
  });
  read.catch(() => undefined);
  server.listen(0, '127.0.0.1');
  await once(server, 'listening');
  const { port } = server.address() as AddressInfo;
  const post = (headers: Record<string, string>) => {
    const sent = request({ port, host: '127.0.0.1', method: 'POST', headers });
    sent.on('error', () => undefined);
    return sent;
  };
  return { read, post };
}

const body = (length: number) => Buffer.from(Array.from({ length }, (_, i) => i % 251));

describe('the body of a request', () => {
  it.each([
    ['a small one', 999, false],
    ['one of the size from which it is shared', 1_000, true],
    ['one of many packets, as large as may be', LIMIT, true],
  ])('is read as it was sent: %s', async (_name, length, isShared) => {
    const { read, post } = await reading();
    post({ 'content-length': String(length) }).end(body(length));
    const bytes = await read;
    expect(bytes?.equals(body(length))).toBe(true);
    expect(bytes?.buffer instanceof SharedArrayBuffer).toBe(isShared);
  });

  it('is read where its size is not stated', async () => {
    const { read, post } = await reading();
    post({ 'transfer-encoding': 'chunked' }).end(body(300_000));
    expect((await read)?.equals(body(300_000))).toBe(true);
  });

  it.each([
    ['stated', { 'content-length': String(LIMIT + 1) }],
    ['not stated', { 'transfer-encoding': 'chunked' }],
  ])('is nothing past the limit, its size %s', async (_name, headers) => {
    const { read, post } = await reading();
    post(headers).end(body(LIMIT + 1));
    expect(await read).toBeNull();
  });

  it('is an error when less comes than was stated', async () => {
    const { read, post } = await reading();
    const sent = post({ 'content-length': '500000' });
    sent.write(body(100_000), () => setTimeout(() => sent.destroy(), 50));
    await expect(read).rejects.toThrow();
  });
});
