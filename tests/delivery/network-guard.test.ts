import { createServer } from 'node:http';
import type { AddressInfo } from 'node:net';
import { afterEach, describe, expect, it } from 'vitest';
import { HttpEndpoint, type HttpEndpointOptions } from '../../src/delivery/http.endpoint.js';

const PUBLIC = ['0.0.0.0/0', '::/0'];
const opened: HttpEndpoint[] = [];
afterEach(async () => {
  for (const endpoint of opened.splice(0)) await endpoint.close();
});

function endpoint(
  baseUrl: string,
  allow: readonly string[],
  more: Partial<HttpEndpointOptions> = {},
) {
  const made = new HttpEndpoint({
    config: { kind: 'http', baseUrl, allow, bearer: null },
    connectionsMax: 2,
    connectTimeoutMs: 200,
    bearer: () => null,
    ...more,
  });
  opened.push(made);
  return made;
}

const request = {
  key: 'k.1',
  method: 'POST',
  path: 'messages',
  contentType: 'application/json',
  body: Buffer.from('{}'),
  deadlineMs: 200,
  mayLeave: () => true,
} as const;

// Addresses: IANA special-purpose registries and the ways to write an address that URL parsers accept
// (WHATWG URL, host parsing), from memory; the kinds are those of the project's reliability anchors §4.
describe('an allow list that only names the public internet', () => {
  it.each([
    ['loopback', 'http://127.0.0.1:9'],
    ['loopback, other host', 'http://127.8.9.1:9'],
    ['loopback, decimal', 'http://2130706433:9'],
    ['loopback, octal', 'http://0177.0.0.1:9'],
    ['loopback, hexadecimal', 'http://0x7f000001:9'],
    ['loopback, short', 'http://127.1:9'],
    ['loopback, full-width digits', 'http://１２７.0.0.1:9'],
    ['loopback, trailing dot', 'http://127.0.0.1.:9'],
    ['loopback IPv6', 'http://[::1]:9'],
    ['loopback IPv6, long', 'http://[0:0:0:0:0:0:0:1]:9'],
    ['loopback, mapped', 'http://[::ffff:127.0.0.1]:9'],
    ['loopback, mapped hexadecimal', 'http://[::ffff:7f00:1]:9'],
    ['loopback, compatible', 'http://[::127.0.0.1]:9'],
    ['loopback, NAT64', 'http://[64:ff9b::7f00:1]:9'],
    ['loopback, 6to4', 'http://[2002:7f00:1::]:9'],
    ['any address', 'http://0.0.0.0:9'],
    ['any address, zero', 'http://0:9'],
    ['any address IPv6', 'http://[::]:9'],
    ['this network', 'http://0.1.2.3:9'],
    ['metadata service', 'http://169.254.169.254'],
    ['metadata service, decimal', 'http://2852039166'],
    ['metadata service, mapped', 'http://[::ffff:169.254.169.254]'],
    ['metadata service IPv6', 'http://[fd00:ec2::254]'],
    ['link-local', 'http://169.254.0.1'],
    ['link-local IPv6', 'http://[fe80::1]'],
    ['private 10', 'http://10.0.0.1'],
    ['private 172.16', 'http://172.16.0.1'],
    ['private 172.31', 'http://172.31.255.255'],
    ['private 192.168', 'http://192.168.1.1'],
    ['unique local', 'http://[fc00::1]'],
    ['site-local', 'http://[fec0::1]'],
    ['carrier-grade NAT', 'http://100.64.0.1'],
    ['benchmarking', 'http://198.18.0.1'],
    ['IETF protocol assignments', 'http://192.0.0.1'],
    ['documentation', 'http://192.0.2.1'],
    ['documentation IPv6', 'http://[2001:db8::1]'],
    ['Teredo', 'http://[2001::1]'],
    ['discard', 'http://[100::1]'],
    ['multicast', 'http://224.0.0.1'],
    ['multicast IPv6', 'http://[ff02::1]'],
    ['reserved', 'http://240.0.0.1'],
    ['broadcast', 'http://255.255.255.255'],
  ])('refuses %s (%s) before a connection is tried', async (_, url) => {
    const end = await endpoint(url, PUBLIC).send(request);
    expect(end).toMatchObject({ kind: 'unreached' });
    if (end.kind === 'unreached') expect(end.detail).toContain('allow list');
  });

  it.each([
    ['one private address', [{ address: '10.0.0.5', family: 4 }]],
    [
      'a public address beside a metadata service',
      [
        { address: '93.184.215.14', family: 4 },
        { address: '169.254.169.254', family: 4 },
      ],
    ],
    ['a mapped loopback', [{ address: '::ffff:127.0.0.1', family: 6 }]],
  ])('refuses a name that resolves to %s', async (_, addresses) => {
    const made = endpoint('http://lims.invalid', PUBLIC, {
      resolve: () => Promise.resolve(addresses),
    });
    const end = await made.send(request);
    expect(end).toMatchObject({ kind: 'unreached' });
    if (end.kind === 'unreached') expect(end.detail).toContain('allow list');
  });
});

describe('a name that is resolved', () => {
  async function listener(): Promise<{ port: number; served: () => number; close: () => void }> {
    let served = 0;
    const server = createServer((_request, response) => {
      served += 1;
      response.setHeader('connection', 'close');
      response.end('{}');
    });
    await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
    const { port } = server.address() as AddressInfo;
    return { port, served: () => served, close: () => server.closeAllConnections() };
  }

  it('is pinned: a name that points elsewhere at the second look is not followed', async () => {
    const local = await listener();
    let looks = 0;
    const rebinding = () => {
      looks += 1;
      const address = looks === 1 ? '127.0.0.1' : '169.254.169.254';
      return Promise.resolve([{ address, family: 4 }]);
    };
    const made = endpoint(`http://lims.invalid:${local.port}`, ['127.0.0.0/8'], {
      resolve: rebinding,
    });
    for (let i = 0; i < 3; i += 1) {
      expect(await made.send(request)).toMatchObject({ kind: 'answered', status: 200 });
    }
    expect(looks).toBe(1);
    expect(local.served()).toBe(3);
    local.close();
  });

  it('is resolved and checked anew after a failed connection', async () => {
    const local = await listener();
    let looks = 0;
    const moving = () => {
      looks += 1;
      // Nothing listens at the first address.
      const address = looks === 1 ? '127.0.0.99' : '127.0.0.1';
      return Promise.resolve([{ address, family: 4 }]);
    };
    const made = endpoint(`http://lims.invalid:${local.port}`, ['127.0.0.0/8'], {
      resolve: moving,
    });
    expect(await made.send(request)).toMatchObject({ kind: 'unreached' });
    expect(await made.send(request)).toMatchObject({ kind: 'answered' });
    local.close();
  });

  it('that cannot be resolved left nothing behind', async () => {
    const made = endpoint('http://lims.invalid', PUBLIC, {
      resolve: () => Promise.reject(new Error('ENOTFOUND lims.invalid')),
    });
    expect(await made.send(request)).toMatchObject({ kind: 'unreached' });
    expect(await made.ask({ path: 'messages', deadlineMs: 100 })).toMatchObject({
      kind: 'unavailable',
    });
  });
});
