/** The computer behind a request, as far as it can be known. */
export interface Client {
  readonly address: string;
  /** What it speaks arrives unread and unaltered: over TLS, or from this machine. */
  readonly isSecure: boolean;
  /** A browser or program on the machine that runs the gateway. */
  readonly isThisMachine: boolean;
  /** What a page of ours has as its origin, for this client. */
  readonly origin: string;
}

export interface Connection {
  readonly address: string;
  readonly isEncrypted: boolean;
  readonly headers: Readonly<Record<string, string | string[] | undefined>>;
}

const LOOPBACK: ReadonlySet<string> = new Set(['127.0.0.1', '::1']);
const LOCAL_HOST = /^(?:localhost|127\.0\.0\.1|\[::1\])(?::\d+)?$/i;
const FORWARDED = ['forwarded', 'x-forwarded-for', 'x-forwarded-host', 'x-real-ip', 'via'];

/**
 * Reads who asks. A proxy that the site has named (`DRUMLINE_TRUSTED_PROXY`) says in X-Forwarded-For and
 * X-Forwarded-Proto whom it speaks for; of several addresses the last is the one that it saw itself. From anybody
 * else these headers only show that this is not the machine's own browser. Nor is one whose address bar shows
 * another name: a page from elsewhere can point a name of its own at the loopback address.
 */
export function clientOf(connection: Connection, trustedProxies: readonly string[]): Client {
  const { headers } = connection;
  const address = plainAddress(connection.address);
  const host = lastOf(headers['host']) ?? '';
  if (trustedProxies.includes(address)) {
    const isSecure = lastOf(headers['x-forwarded-proto']) === 'https';
    return {
      address: plainAddress(lastOf(headers['x-forwarded-for']) ?? address),
      isSecure,
      isThisMachine: false,
      origin: `${isSecure ? 'https' : 'http'}://${host}`,
    };
  }
  const isThisMachine =
    LOOPBACK.has(address) &&
    LOCAL_HOST.test(host) &&
    FORWARDED.every((name) => headers[name] === undefined);
  return {
    address,
    isSecure: connection.isEncrypted || isThisMachine,
    isThisMachine,
    origin: `${connection.isEncrypted ? 'https' : 'http'}://${host}`,
  };
}

/**
 * Whether a browser sends this from a page of ours. Every browser in use says so in Origin or Sec-Fetch-Site
 * (Fetch standard, from memory); a request that says neither is refused, since a cookie rides along.
 */
export function isFromOurPages(client: Client, headers: Connection['headers']): boolean {
  const origin = lastOf(headers['origin']);
  const site = lastOf(headers['sec-fetch-site']);
  if (origin === undefined && site === undefined) return false;
  if (site !== undefined && site !== 'same-origin') return false;
  return origin === undefined || origin.toLowerCase() === client.origin.toLowerCase();
}

function lastOf(header: string | string[] | undefined): string | undefined {
  const text = Array.isArray(header) ? header.at(-1) : header;
  return text?.split(',').at(-1)?.trim();
}

/** An IPv4 address is written alike, however the socket came by it; what is too long is no address. */
function plainAddress(address: string): string {
  return address.replace(/^::ffff:(?=\d+\.)/, '').slice(0, 64);
}
