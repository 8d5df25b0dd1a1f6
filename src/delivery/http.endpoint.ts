import type { LookupAddress } from 'node:dns';
import { lookup } from 'node:dns/promises';
import { isIP, type LookupFunction } from 'node:net';
import { Agent, type Dispatcher } from 'undici';
import { addressAllowed } from '../site/network.js';
import type { HttpEndpointConfig } from '../site/site-folder.js';
import { step } from '../step.js';
import type { AskRequest, AskResult, Endpoint, SendRequest, SendResult } from './endpoint.js';
import { type Exchange, exchange } from './http-exchange.endpoint.js';

export interface HttpEndpointOptions {
  readonly config: HttpEndpointConfig;
  /** Most requests that are open at once; a stop or a question never waits for a free connection. */
  readonly connectionsMax: number;
  /** After this a connection that does not come about is given up, so that a later one can be tried. */
  readonly connectTimeoutMs: number;
  /** Read anew for every request, so that new credentials need no restart. */
  readonly bearer: () => string | null;
  /** The destination answered 401: the credentials are to be read again, from where they come. */
  readonly onDenied?: () => void;
  /** Every address of a name; replaced in tests. */
  readonly resolve?: (hostname: string) => Promise<readonly LookupAddress[]>;
  /** Replaces the connection pool; for contract tests only. */
  readonly dispatcher?: Dispatcher;
}

const KEEP_ALIVE_MS = 4_000;
const HEADER_BYTES_MAX = 16_384;

/**
 * A destination reached over HTTP. Its name is resolved by us, every address must be on the allow list, and
 * the connection goes to exactly the address that was checked; literal addresses are checked the same way.
 * Redirects are answers like any other, never followed. The content type of an answer is not asked.
 */
export class HttpEndpoint implements Endpoint {
  readonly #base: URL;
  readonly #dispatcher: Dispatcher;
  readonly #options: HttpEndpointOptions;
  readonly #resolve: (hostname: string) => Promise<readonly LookupAddress[]>;
  #pinned: LookupAddress | null = null;
  #resolutions = 0;

  constructor(options: HttpEndpointOptions) {
    this.#options = options;
    this.#base = new URL(options.config.baseUrl);
    this.#resolve = options.resolve ?? ((hostname) => lookup(hostname, { all: true }));
    this.#dispatcher =
      options.dispatcher ??
      new Agent({
        connections: options.connectionsMax,
        pipelining: 1,
        keepAliveTimeout: KEEP_ALIVE_MS,
        maxHeaderSize: HEADER_BYTES_MAX,
        // One total deadline rules every request; the library's own timeouts would end it twice.
        headersTimeout: 0,
        bodyTimeout: 0,
        connect: { lookup: this.#lookup, timeout: options.connectTimeoutMs },
      });
  }

  async send(request: SendRequest): Promise<SendResult> {
    const headers = this.#headers({
      'content-type': request.contentType,
      'idempotency-key': `"${request.key}"`,
    });
    if (typeof headers === 'string') return { kind: 'unreached', detail: headers };
    const end = await this.#exchange({
      method: request.method,
      path: this.#pathOf(request.path),
      headers,
      body: request.body,
      deadlineMs: request.deadlineMs,
      mayLeave: request.mayLeave,
      onFirstByte: () => step('S10'),
      onLastByte: () => step('S11'),
    });
    if (end.kind === 'answered') step('S12');
    return end;
  }

  async ask(request: AskRequest): Promise<AskResult> {
    const headers = this.#headers({});
    if (typeof headers === 'string') return { kind: 'unavailable', detail: headers };
    const end = await this.#exchange({
      method: 'GET',
      path: this.#pathOf(request.path),
      headers,
      body: null,
      deadlineMs: request.deadlineMs,
      ...(request.bytesMax === undefined ? {} : { bytesMax: request.bytesMax }),
    });
    return end.kind === 'answered' ? end : { kind: 'unavailable', detail: end.detail };
  }

  async close(): Promise<void> {
    if (this.#options.dispatcher === undefined) await this.#dispatcher.destroy();
  }

  async #exchange(request: Omit<Exchange, 'origin'>) {
    const refusal = this.#literalRefusal();
    if (refusal !== null) return { kind: 'unreached' as const, detail: refusal };
    const end = await exchange(this.#dispatcher, { ...request, origin: this.#base.origin });
    // The pinned address may have been given up by its owner: the next connection resolves and checks anew.
    if (end.kind === 'unreached') this.#pinned = null;
    if (end.kind === 'answered' && end.status === 401) this.#options.onDenied?.();
    return end;
  }

  #pathOf(relative: string): string {
    const folder = this.#base.pathname.endsWith('/')
      ? this.#base.pathname
      : `${this.#base.pathname}/`;
    return folder + relative.replace(/^\/+/, '');
  }

  /** A text is the reason why nothing can be sent: the secret is not there. */
  #headers(more: Record<string, string>): Record<string, string> | string {
    try {
      const bearer = this.#options.bearer();
      return bearer === null ? more : { ...more, authorization: `Bearer ${bearer}` };
    } catch (error) {
      return error instanceof Error ? error.message : 'the secret cannot be read';
    }
  }

  /** Literal addresses never reach `lookup`, so they are checked here. */
  #literalRefusal(): string | null {
    const host = this.#base.hostname.replace(/^\[|\]$/g, '');
    if (isIP(host) === 0 || addressAllowed(host, this.#options.config.allow)) return null;
    return `address ${host} is not on the destination's allow list`;
  }

  /** Called by the connector for a name: the address it gets is the only one it can connect to. */
  readonly #lookup: LookupFunction = (hostname, options, callback) => {
    this.#pin(hostname).then(
      (address) => {
        if (options.all) callback(null, [address]);
        else callback(null, address.address, address.family);
      },
      (error: unknown) => {
        callback(error instanceof Error ? error : new Error('not resolved', { cause: error }), '');
      },
    );
  };

  async #pin(hostname: string): Promise<LookupAddress> {
    if (this.#pinned !== null) return this.#pinned;
    const addresses = await this.#resolve(hostname);
    const refused = addresses.find((a) => !addressAllowed(a.address, this.#options.config.allow));
    if (refused !== undefined) {
      throw new Error(`${hostname} resolves to ${refused.address}, which is not on the allow list`);
    }
    // A second resolution follows a failed connection, so it takes the next address in turn.
    const address = addresses[this.#resolutions++ % Math.max(1, addresses.length)];
    if (address === undefined) throw new Error(`${hostname} resolves to no address`);
    this.#pinned = address;
    return address;
  }
}
