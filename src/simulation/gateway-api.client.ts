import { request } from 'undici';

/** What the simulation asks of a gateway over HTTP, as its users would. */
export interface GatewayAnswer {
  readonly status: number;
  readonly body: unknown;
}

const DEADLINE_MS = 10_000;

export async function askGateway(
  url: string,
  options: {
    readonly key: string;
    readonly path: string;
    readonly method?: 'GET' | 'POST';
    readonly contentType?: string;
    readonly body?: string | Uint8Array;
    readonly idempotencyKey?: string;
  },
): Promise<GatewayAnswer> {
  const answer = await request(new URL(options.path, url), {
    method: options.method ?? 'GET',
    headers: {
      authorization: `Bearer ${options.key}`,
      ...(options.contentType === undefined ? {} : { 'content-type': options.contentType }),
      ...(options.idempotencyKey === undefined
        ? {}
        : { 'idempotency-key': `"${options.idempotencyKey}"` }),
    },
    body: options.body ?? null,
    signal: AbortSignal.timeout(DEADLINE_MS),
  });
  const text = await answer.body.text();
  return { status: answer.statusCode, body: text === '' ? null : JSON.parse(text) };
}

const ATTEMPTS_MAX = 60;
const PAUSE_MS = 300;

/**
 * Hands a bundle over as a sync PC does: again until it is acknowledged, with the same key, because an
 * answer that got lost says nothing. Throws when it was refused or never acknowledged.
 */
export async function postBundle(
  url: string,
  bundle: { readonly bytes: Uint8Array; readonly key: string; readonly idempotencyKey: string },
  attemptsMax: number = ATTEMPTS_MAX,
): Promise<void> {
  let last = 'no answer';
  for (let attempt = 1; attempt <= attemptsMax; attempt += 1) {
    try {
      const { status, body } = await askGateway(url, {
        key: bundle.key,
        method: 'POST',
        path: '/api/v1/bundles',
        contentType: 'application/json',
        body: bundle.bytes,
        idempotencyKey: bundle.idempotencyKey,
      });
      if (status === 202) return;
      last = `${status} ${JSON.stringify(body)}`;
      if (status < 500 && status !== 408 && status !== 429) break;
    } catch (error) {
      last = error instanceof Error ? error.message : String(error);
    }
    await new Promise((resolve) => setTimeout(resolve, PAUSE_MS));
  }
  throw new Error(`bundle ${bundle.idempotencyKey} was not taken: ${last}`);
}
