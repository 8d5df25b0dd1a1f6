import type { Dispatcher } from 'undici';
import { ANSWER_BYTES_MAX, type Answer, NOT_LEFT } from './endpoint.js';

export interface Exchange {
  readonly origin: string;
  readonly method: 'GET' | 'POST' | 'PUT';
  readonly path: string;
  readonly headers: Record<string, string>;
  readonly body: Uint8Array | null;
  /** From the call to the last byte of the answer, waiting for a connection included. */
  readonly deadlineMs: number;
  /** Longest answer that is read; `ANSWER_BYTES_MAX` when left out. */
  readonly bytesMax?: number;
  /** The connection stands: asked whether the first byte may be written all the same. Left out where it always may. */
  readonly mayLeave?: () => boolean;
  /** The connection stands and the first byte is about to be written. */
  readonly onFirstByte?: () => void;
  /** Everything was handed to the connection. */
  readonly onLastByte?: () => void;
}

export type ExchangeEnd =
  | Answer
  | { readonly kind: 'unreached'; readonly detail: string }
  | typeof NOT_LEFT
  | { readonly kind: 'broken'; readonly detail: string };

/**
 * One request and its whole answer under one total deadline, however the answer drips. `unreached` and `postponed` are
 * said only when the request was never handed to a connection: undici calls `onRequestStart` on a standing
 * connection right before it writes the first byte, and a request that is aborted there is not written.
 */
export function exchange(dispatcher: Dispatcher, request: Exchange): Promise<ExchangeEnd> {
  return new Promise((resolve) => {
    const reading = new Reading(request, resolve);
    const { origin, method, path, headers } = request;
    const body = request.body === null ? null : Buffer.from(request.body);
    try {
      dispatcher.dispatch({ origin, method, path, headers, body }, reading);
    } catch (error) {
      reading.onResponseError(null, error instanceof Error ? error : new Error(String(error)));
    }
  });
}

class Reading implements Dispatcher.DispatchHandler {
  readonly #request: Exchange;
  readonly #resolve: (end: ExchangeEnd) => void;
  readonly #deadline: NodeJS.Timeout;
  /** On the monotonic counter: in a busy process a connection may be told of before the timer that was due first. */
  readonly #endsAtMs: number;
  readonly #chunks: Buffer[] = [];
  #controller: Dispatcher.DispatchController | null = null;
  #hasEnded = false;
  #status = 0;
  #retryAfter: string | null = null;
  #bytes = 0;

  constructor(request: Exchange, resolve: (end: ExchangeEnd) => void) {
    this.#request = request;
    this.#resolve = resolve;
    this.#endsAtMs = performance.now() + request.deadlineMs;
    this.#deadline = setTimeout(() => this.#failLate(), request.deadlineMs);
  }

  onRequestStart(controller: Dispatcher.DispatchController): void {
    if (performance.now() >= this.#endsAtMs) this.#failLate();
    // That counter and its timer stand still while the machine sleeps; whoever else judges this send goes by one that does not.
    else if (!this.#hasEnded && this.#request.mayLeave?.() === false) this.#finish(NOT_LEFT);
    if (this.#hasEnded) {
      controller.abort(new Error('it may not leave any more, now that a connection is there'));
      return;
    }
    this.#controller = controller;
    this.#request.onFirstByte?.();
    // The library writes head and body in the same turn as this call.
    process.nextTick(() => this.#request.onLastByte?.());
  }

  onResponseStart(
    _controller: Dispatcher.DispatchController,
    status: number,
    headers: Record<string, string | string[] | undefined>,
  ): void {
    if (status < 200) return;
    this.#status = status;
    const retryAfter = headers['retry-after'];
    this.#retryAfter = typeof retryAfter === 'string' ? retryAfter : null;
  }

  onResponseData(controller: Dispatcher.DispatchController, chunk: Buffer): void {
    const bytesMax = this.#request.bytesMax ?? ANSWER_BYTES_MAX;
    const room = bytesMax - this.#bytes;
    this.#chunks.push(chunk.subarray(0, room));
    this.#bytes += Math.min(chunk.length, room);
    if (chunk.length <= room) return;
    this.#finish(this.#answer(true));
    controller.abort(new Error(`answer longer than ${bytesMax} bytes`));
  }

  onResponseEnd(): void {
    this.#finish(this.#answer(false));
  }

  onResponseError(_controller: Dispatcher.DispatchController | null, error: Error): void {
    this.#fail(describe(error));
  }

  #answer(isCut: boolean): Answer {
    return {
      kind: 'answered',
      status: this.#status,
      retryAfter: this.#retryAfter,
      body: Buffer.concat(this.#chunks),
      isCut,
    };
  }

  #failLate(): void {
    const state = this.#controller === null ? 'no connection' : 'no whole answer';
    this.#fail(`${state} within ${this.#request.deadlineMs} ms`);
  }

  #fail(detail: string): void {
    this.#finish({ kind: this.#controller === null ? 'unreached' : 'broken', detail });
    this.#controller?.abort(new Error(detail));
  }

  #finish(end: ExchangeEnd): void {
    if (this.#hasEnded) return;
    this.#hasEnded = true;
    clearTimeout(this.#deadline);
    this.#resolve(end);
  }
}

/** Code and words of an error, of the first one where a connector tried several addresses. */
function describe(error: Error): string {
  const first = error instanceof AggregateError ? (error.errors[0] as unknown) : error;
  const cause = first instanceof Error ? first : error;
  const code = (cause as { code?: unknown }).code;
  return typeof code === 'string' && !cause.message.includes(code)
    ? `${code}: ${cause.message}`
    : cause.message;
}
