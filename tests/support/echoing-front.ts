import { createServer, type IncomingMessage, type Server, type ServerResponse } from 'node:http';
import type { AddressInfo } from 'node:net';
import { encodingsOf } from './secret-encodings.js';

/**
 * Stands before a stand-in, asks for a token of its own, and echoes the Authorization header of every request in
 * every wrapping, in proper answers and in refusals. Told so, it answers sends with another status.
 */
export class EchoingFront {
  /** Status of answers to sends; null lets them through. */
  refuses: number | null = null;
  denied = 0;
  readonly #server: Server;

  private constructor(
    private readonly inner: { readonly url: string; readonly token: string },
    public accepts: string,
  ) {
    this.#server = createServer((request, response) => {
      void this.#serve(request, response);
    });
  }

  static async start(
    inner: { readonly url: string; readonly token: string },
    accepts: string,
  ): Promise<EchoingFront> {
    const front = new EchoingFront(inner, accepts);
    await new Promise<void>((resolve) => front.#server.listen(0, '127.0.0.1', resolve));
    return front;
  }

  get url(): string {
    return `http://127.0.0.1:${(this.#server.address() as AddressInfo).port}`;
  }

  async close(): Promise<void> {
    if (!this.#server.listening) return;
    this.#server.closeAllConnections();
    await new Promise((resolve) => this.#server.close(resolve));
  }

  async #serve(request: IncomingMessage, response: ServerResponse): Promise<void> {
    const chunks: Buffer[] = [];
    for await (const chunk of request) chunks.push(chunk as Buffer);
    const header = request.headers.authorization ?? '';
    const echo = echoOf(header, request.rawHeaders.join('\n'));
    const status = header === `Bearer ${this.accepts}` ? this.#statusOf(request) : 401;
    if (status === 401) this.denied += 1;
    if (status !== null) {
      response.writeHead(status, { 'content-type': 'text/plain' }).end(echo.join(' | '));
      return;
    }
    const answer = await fetch(new URL(request.url ?? '/', this.inner.url), {
      method: request.method ?? 'GET',
      headers: {
        authorization: `Bearer ${this.inner.token}`,
        'content-type': request.headers['content-type'] ?? 'text/plain',
        'idempotency-key': String(request.headers['idempotency-key'] ?? ''),
      },
      body: request.method === 'GET' ? null : Buffer.concat(chunks),
    });
    response.writeHead(answer.status, { 'content-type': 'text/plain' });
    response.end(withEcho(await answer.text(), JSON.stringify(echo)));
  }

  #statusOf(request: IncomingMessage): number | null {
    return request.method === 'GET' ? null : this.refuses;
  }
}

function echoOf(header: string, head: string): readonly string[] {
  const token = header.replace(/^Bearer /, '');
  return [
    header,
    ...encodingsOf(token).map(([, text]) => text),
    Buffer.from(header).toString('base64'),
    Buffer.from(head).toString('base64'),
    encodeURIComponent(head),
  ];
}

/** In a JSON document as its first member, in an XML document as the last element. */
function withEcho(text: string, echo: string): string {
  if (text.startsWith('{')) return `{"echo":${echo},${text.slice(1)}`;
  const escaped = echo.replaceAll('&', '&amp;').replaceAll('<', '&lt;').replaceAll('>', '&gt;');
  return text.replace(/<\/[^<>]+>\s*$/, (end) => `<echo>${escaped}</echo>${end}`);
}
