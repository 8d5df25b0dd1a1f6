import { readControl } from '../access/control.files.js';
import type { Settings } from '../config.js';

export interface GatewayRequest {
  readonly method: 'GET' | 'POST' | 'PUT' | 'DELETE';
  /** Path and query. */
  readonly path: string;
  readonly body?: { readonly contentType: string; readonly text: string };
  /** Beside those of the body and of the proof who asks. */
  readonly headers?: Readonly<Record<string, string>>;
}

export interface GatewayAnswer {
  readonly status: number;
  readonly text: string;
}

/**
 * Puts one request to the gateway that owns the data folder. When none is running, the same application
 * is opened here for this one request, without workers and without listening: a command behaves the same
 * either way, and two processes never write one database.
 */
export async function requestGateway(
  settings: Settings,
  request: GatewayRequest,
): Promise<GatewayAnswer> {
  const control = readControl(settings.dataDirectory);
  if (control) {
    const answer = await askRunning(control, request);
    if (answer) return answer;
  }
  const { openApplication } = await import('../main.js');
  const application = await openApplication(settings, { work: false });
  try {
    return await application.inject(request);
  } finally {
    await application.close();
  }
}

/** null when nobody listens any more: the control file is left over from a process that died. */
async function askRunning(
  control: { readonly url: string; readonly token: string },
  request: GatewayRequest,
): Promise<GatewayAnswer | null> {
  try {
    const response = await fetch(new URL(request.path, control.url), {
      method: request.method,
      headers: {
        ...request.headers,
        authorization: `Bearer ${control.token}`,
        ...(request.body ? { 'content-type': request.body.contentType } : {}),
      },
      ...(request.body ? { body: request.body.text } : {}),
      redirect: 'error',
    });
    return { status: response.status, text: await response.text() };
  } catch (error) {
    if (isConnectionRefused(error)) return null;
    throw error;
  }
}

function isConnectionRefused(error: unknown): boolean {
  const cause = error instanceof Error ? error.cause : undefined;
  return cause instanceof Error && 'code' in cause && cause.code === 'ECONNREFUSED';
}
