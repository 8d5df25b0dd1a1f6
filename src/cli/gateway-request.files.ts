import { request as httpRequest } from 'node:http';
import { connect, type TLSSocket } from 'node:tls';
import { type Control, readControl } from '../access/control.files.js';
import type { Settings } from '../config.js';

export interface GatewayRequest {
  readonly method: 'GET' | 'POST' | 'PUT' | 'DELETE';
  /** Path and query. */
  readonly path: string;
  /** Bytes where they have to arrive as they are. */
  readonly body?: { readonly contentType: string; readonly text: string | Uint8Array };
  /** Beside those of the body and of the proof who asks. */
  readonly headers?: Readonly<Record<string, string>>;
}

export interface GatewayAnswer {
  readonly status: number;
  readonly text: string;
  /** The same, for what is no text. */
  readonly bytes: Uint8Array;
  /** By lower-case name. */
  readonly headers: Readonly<Record<string, string>>;
}

/** A way to the gateway for several requests. */
export interface GatewayLink {
  request(request: GatewayRequest): Promise<GatewayAnswer>;
  close(): Promise<void>;
}

/** Puts one request to the gateway, see `openGatewayLink`. */
export async function requestGateway(
  settings: Settings,
  request: GatewayRequest,
): Promise<GatewayAnswer> {
  const link = await openGatewayLink(settings);
  try {
    return await link.request(request);
  } finally {
    await link.close();
  }
}

/**
 * A way to the gateway that owns the data folder. When none is running, the same application is opened here for
 * these requests, without workers and without listening: a command behaves the same either way, and two processes
 * never write one file. It goes by the site folder in force and puts none in force: others may run by that one.
 *
 * @throws Misconfigured `site-folder-outdated`, `life-not-begun` or `database-older` where only a start may go on; as
 *   `openApplication`
 */
export async function openGatewayLink(settings: Settings): Promise<GatewayLink> {
  const control = readControl(settings.dataDirectory);
  if (control && (await askRunning(control, LIVE)) !== null) {
    return {
      request: async (request) => {
        const answer = await askRunning(control, request);
        if (answer === null) throw new Error(`the gateway at ${control.url} is gone`);
        return answer;
      },
      close: () => Promise.resolve(),
    };
  }
  const { openApplication } = await import('../main.js');
  return openApplication(settings, { work: false, activates: false }).then((application) => ({
    request: (request) => application.inject(request),
    close: () => application.close(),
  }));
}

const LIVE: GatewayRequest = { method: 'GET', path: '/health/live' };

/** null when nobody listens any more: the control file is left over from a process that died. */
async function askRunning(
  control: Control,
  request: GatewayRequest,
): Promise<GatewayAnswer | null> {
  try {
    const url = new URL(request.path, control.url);
    const connection = url.protocol === 'https:' ? await pinnedSocket(url, control) : null;
    return await exchange(url, control.token, request, connection);
  } catch (error) {
    if (isConnectionRefused(error)) return null;
    throw error;
  }
}

/**
 * A connection to the gateway that wrote the control file, and to no other: its certificate may name another host or
 * be made by the site itself, so it is known by its digest. Nothing is sent before it was compared.
 */
function pinnedSocket(url: URL, { certificate }: Control): Promise<TLSSocket> {
  return new Promise((resolve, reject) => {
    const port = Number(url.port === '' ? 443 : url.port);
    const host = url.hostname.replace(/^\[|\]$/g, '');
    const socket = connect({ host, port, rejectUnauthorized: false }, () => {
      if (socket.getPeerX509Certificate()?.fingerprint256 === certificate) resolve(socket);
      else
        socket.destroy(
          new Error(`${url.origin} shows another certificate than the gateway of this data folder`),
        );
    });
    socket.once('error', reject);
  });
}

function exchange(
  url: URL,
  token: string,
  request: GatewayRequest,
  connection: TLSSocket | null,
): Promise<GatewayAnswer> {
  return new Promise((resolve, reject) => {
    const body = request.body ? Buffer.from(request.body.text) : null;
    const asked = httpRequest(
      {
        host: url.hostname.replace(/^\[|\]$/g, ''),
        port: url.port,
        path: `${url.pathname}${url.search}`,
        method: request.method,
        headers: {
          ...request.headers,
          host: url.host,
          authorization: `Bearer ${token}`,
          connection: 'close',
          ...(request.body && body
            ? { 'content-type': request.body.contentType, 'content-length': body.length }
            : {}),
        },
        ...(connection ? { createConnection: () => connection } : {}),
      },
      (response) => {
        const chunks: Buffer[] = [];
        response.on('data', (chunk: Buffer) => chunks.push(chunk));
        response.once('error', reject);
        response.once('end', () => {
          const bytes = Buffer.concat(chunks);
          const headers = Object.fromEntries(
            Object.entries(response.headers).map(([name, value]) => [name, String(value)]),
          );
          const status = response.statusCode ?? 0;
          resolve({ status, text: bytes.toString('utf8'), bytes, headers });
        });
      },
    );
    asked.once('error', reject);
    asked.end(body ?? undefined);
  });
}

function isConnectionRefused(error: unknown): boolean {
  return error instanceof Error && 'code' in error && error.code === 'ECONNREFUSED';
}
