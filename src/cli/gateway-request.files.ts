import { readControl } from '../access/control.files.js';
import type { Settings } from '../config.js';

export interface GatewayRequest {
  readonly method: 'GET' | 'POST' | 'DELETE';
  /** Path and query. */
  readonly path: string;
  readonly body?: { readonly contentType: string; readonly text: string };
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
 * never write one database.
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
  return openApplication(settings, { work: false }).then((application) => ({
    request: (request) => application.inject(request),
    close: () => application.close(),
  }));
}

const LIVE: GatewayRequest = { method: 'GET', path: '/health/live' };

/** null when nobody listens any more: the control file is left over from a process that died. */
async function askRunning(
  control: { readonly url: string; readonly token: string },
  request: GatewayRequest,
): Promise<GatewayAnswer | null> {
  try {
    const response = await fetch(new URL(request.path, control.url), {
      method: request.method,
      headers: {
        authorization: `Bearer ${control.token}`,
        ...(request.body ? { 'content-type': request.body.contentType } : {}),
      },
      ...(request.body ? { body: request.body.text } : {}),
      redirect: 'error',
    });
    const bytes = new Uint8Array(await response.arrayBuffer());
    return {
      status: response.status,
      text: new TextDecoder().decode(bytes),
      bytes,
      headers: Object.fromEntries(response.headers),
    };
  } catch (error) {
    if (isConnectionRefused(error)) return null;
    throw error;
  }
}

function isConnectionRefused(error: unknown): boolean {
  const cause = error instanceof Error ? error.cause : undefined;
  return cause instanceof Error && 'code' in cause && cause.code === 'ECONNREFUSED';
}
