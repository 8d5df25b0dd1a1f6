import diagnostics from 'node:diagnostics_channel';
import type { AddressInfo } from 'node:net';
import { createServer, type Socket } from 'node:net';
import nock from 'nock';
import { type Dispatcher, getGlobalDispatcher } from 'undici';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import type { SendRequest } from '../../src/delivery/endpoint.js';
import { HttpEndpoint, type HttpEndpointOptions } from '../../src/delivery/http.endpoint.js';
import { Sink } from './sink.js';

const closing: HttpEndpoint[] = [];
afterEach(async () => {
  for (const endpoint of closing.splice(0)) await endpoint.close();
});

function endpoint(baseUrl: string, more: Partial<HttpEndpointOptions> = {}): HttpEndpoint {
  const made = new HttpEndpoint({
    config: { kind: 'http', baseUrl, allow: ['127.0.0.0/8'], bearer: null },
    connectionsMax: 4,
    connectTimeoutMs: 300,
    bearer: () => 'token-1',
    ...more,
  });
  closing.push(made);
  return made;
}

const REQUEST: SendRequest = {
  key: '0197.1',
  method: 'POST',
  path: 'api/identity-results',
  contentType: 'application/json',
  body: Buffer.from('{"reference":"D-1"}'),
  deadlineMs: 300,
  mayLeave: () => true,
};

describe('the HTTP contract', () => {
  // Only while these run: what it stands in front of belongs to every file of the process.
  beforeEach(() => {
    if (!nock.isActive()) nock.activate();
    nock.disableNetConnect();
  });
  afterEach(() => {
    nock.cleanAll();
    nock.enableNetConnect();
    nock.restore();
  });

  // The pool is nock's own here, so the name is never resolved; addresses have tests of their own.
  const mocked = (path = '') =>
    endpoint(`http://lims.northquay.test${path}`, { dispatcher: getGlobalDispatcher() });

  // Source: Idempotency-Key draft -07 (a structured-field string, quoted), RFC 6750 §2.1 (Bearer).
  it('sends the key quoted, the bearer, the content type and the bytes as they are', async () => {
    const scope = nock('http://lims.northquay.test', {
      reqheaders: {
        'idempotency-key': '"0197.1"',
        authorization: 'Bearer token-1',
        'content-type': 'application/json',
      },
    })
      .post('/base/api/identity-results', { reference: 'D-1' })
      .reply(201, { stored: true });
    const end = await mocked('/base/').send(REQUEST);
    expect(end).toMatchObject({ kind: 'answered', status: 201, isCut: false });
    expect(scope.isDone()).toBe(true);
  });

  it('puts with PUT where the mapping says so', async () => {
    const scope = nock('http://lims.northquay.test').put('/entries/0197.1').reply(204);
    const end = await mocked().send({ ...REQUEST, method: 'PUT', path: 'entries/0197.1' });
    expect(end).toMatchObject({ kind: 'answered', status: 204 });
    expect(scope.isDone()).toBe(true);
  });

  it.each([301, 302, 303, 307, 308])('does not follow a %i', async (status) => {
    nock('http://lims.northquay.test')
      .post('/api/identity-results')
      .reply(status, '', { location: 'http://elsewhere.northquay.test/taken' });
    const elsewhere = nock('http://elsewhere.northquay.test').post('/taken').reply(201);
    expect(await mocked().send(REQUEST)).toMatchObject({ kind: 'answered', status });
    expect(elsewhere.isDone()).toBe(false);
  });

  it('hands Retry-After on as it came', async () => {
    nock('http://lims.northquay.test')
      .post('/api/identity-results')
      .reply(503, 'later', { 'retry-after': 'Wed, 21 Oct 2026 07:28:00 GMT' });
    expect(await mocked().send(REQUEST)).toMatchObject({
      status: 503,
      retryAfter: 'Wed, 21 Oct 2026 07:28:00 GMT',
    });
  });

  it('asks with GET, without a body or a key', async () => {
    const scope = nock('http://lims.northquay.test', { badheaders: ['idempotency-key'] })
      .get('/api/identity-results')
      .query({ reference: 'D-1' })
      .reply(200, { entries: [] });
    const asked = await mocked().ask({
      path: 'api/identity-results?reference=D-1',
      deadlineMs: 300,
    });
    expect(asked).toMatchObject({ kind: 'answered', status: 200 });
    expect(scope.isDone()).toBe(true);
  });
});

describe('where a request stood when it failed', () => {
  it('has not left while no connection is there, and is not written when one comes too late', async () => {
    // Accepts connections, reads and never answers: the only connection stays busy.
    const received: string[] = [];
    const sockets: Socket[] = [];
    const server = createServer((socket) => {
      sockets.push(socket);
      socket.on('data', (chunk) => received.push(chunk.toString()));
      socket.on('error', () => socket.destroy());
    });
    await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
    const { port } = server.address() as AddressInfo;
    const made = endpoint(`http://127.0.0.1:${port}`, { connectionsMax: 1 });
    const first = made.send({ ...REQUEST, key: 'first', deadlineMs: 500 });
    const second = await made.send({ ...REQUEST, key: 'second', deadlineMs: 100 });
    expect(second).toEqual({ kind: 'unreached', detail: 'no connection within 100 ms' });
    expect((await first).kind).toBe('broken');
    // A third one gets a connection of its own; the second, long given up, is never written.
    expect((await made.send({ ...REQUEST, key: 'third', deadlineMs: 200 })).kind).toBe('broken');
    const text = received.join('');
    expect(text).toContain('"first"');
    expect(text).toContain('"third"');
    expect(text).not.toContain('"second"');
    for (const socket of sockets) socket.destroy();
    server.close();
  });

  it('is not written by a process that was too busy to see its deadline pass', async () => {
    let written = true;
    // The connection stands at once, and is told of in the turn that began before the deadline.
    const busy = {
      dispatch: (_request: unknown, handler: Dispatcher.DispatchHandler) => {
        for (const since = performance.now(); performance.now() - since < 40; );
        const abort = () => {
          written = false;
        };
        handler.onRequestStart?.({ abort } as unknown as Dispatcher.DispatchController, {});
        return true;
      },
    } as unknown as Dispatcher;
    const end = await endpoint('http://127.0.0.1:1', { dispatcher: busy }).send({
      ...REQUEST,
      deadlineMs: 20,
    });
    expect(end).toEqual({ kind: 'unreached', detail: 'no connection within 20 ms' });
    expect(written).toBe(false);
  });

  it('asks whether it may still leave once the connection stands, and not before', async () => {
    const sink = await Sink.start();
    let isAwake = true;
    let asked = 0;
    const made = endpoint(`http://sink.invalid:${sink.port}`, {
      // The machine sleeps while the name is looked up.
      resolve: () => {
        isAwake = false;
        return Promise.resolve([{ address: '127.0.0.1', family: 4 }]);
      },
    });
    const mayLeave = () => {
      asked += 1;
      return isAwake;
    };
    const end = await made.send({ ...REQUEST, path: 'messages', mayLeave });
    expect(end.kind).toBe('postponed');
    expect(asked).toBe(1);
    expect(sink.seen).toEqual([]);
    isAwake = true;
    const again = await made.send({ ...REQUEST, path: 'messages', mayLeave: () => true });
    expect(again).toMatchObject({ kind: 'answered', status: 201 });
    expect(sink.seen).toHaveLength(1);
  });

  it('has left once a kept connection turns out to be dead', async () => {
    const sink = await Sink.start();
    const made = endpoint(sink.url);
    expect((await made.send({ ...REQUEST, path: 'messages' })).kind).toBe('answered');
    sink.onSend('reset');
    expect((await made.send({ ...REQUEST, path: 'messages' })).kind).toBe('broken');
  });

  it('cuts an endless answer to a send, which then says nothing', async () => {
    const sink = await Sink.start();
    sink.onSend('endless');
    const end = await endpoint(sink.url).send({ ...REQUEST, path: 'messages' });
    expect(end).toMatchObject({ kind: 'answered', isCut: true });
  });

  it('names the missing secret and leaves nothing', async () => {
    const sink = await Sink.start();
    const made = endpoint(sink.url, {
      bearer: () => {
        throw new Error('secret-missing env:NORTHQUAY_LIMS_TOKEN');
      },
    });
    expect(await made.send(REQUEST)).toEqual({
      kind: 'unreached',
      detail: 'secret-missing env:NORTHQUAY_LIMS_TOKEN',
    });
    expect(sink.seen).toEqual([]);
  });

  it('reads credentials anew for every request', async () => {
    const sink = await Sink.start();
    let token = 'old';
    const made = endpoint(sink.url, { bearer: () => token });
    await made.send({ ...REQUEST, path: 'messages' });
    token = 'new';
    await made.send({ ...REQUEST, path: 'messages' });
    expect(sink.seen.map((r) => r.authorization)).toEqual(['Bearer old', 'Bearer new']);
  });

  it('says S10 before the first byte, S11 after the last and S12 when the answer is read', async () => {
    const steps: string[] = [];
    const listen = (step: unknown) => steps.push(String(step));
    diagnostics.subscribe('drumline:step', listen);
    const sink = await Sink.start();
    await endpoint(sink.url).send({ ...REQUEST, path: 'messages' });
    diagnostics.unsubscribe('drumline:step', listen);
    expect(steps).toEqual(['S10', 'S11', 'S12']);
  });
});
