import type { ServerResponse } from 'node:http';
import Fastify, { type FastifyInstance, type FastifyReply } from 'fastify';
import { formatInstant } from '../formats/instant.js';
import type { Clock } from '../storage/clock.js';
import { booksDocument, type StateClaim, type StoredMessage } from './books.js';
import type { SelfDescription } from './held-page.js';
import { type Ledger, openLedger } from './journal.files.js';
import {
  concerns,
  type ImposedMisbehaviour,
  type Misbehaviour,
  type MisbehaviourSchedule,
  misbehaviourFor,
  type Operation,
} from './misbehaviour.js';

export interface StandInOptions {
  readonly clock: Clock;
  readonly token: string;
  /** JSON-lines file the books are kept in; null keeps them in memory. */
  readonly journal: string | null;
  /** Stores a message once per idempotency key. */
  readonly honoursKey: boolean;
  /** Answers what it holds. */
  readonly askable: boolean;
  readonly schedule: MisbehaviourSchedule;
  /** Time between storing a message and applying it. */
  readonly processingMs: number;
}

/** How one kind of stand-in reads and writes its own wire format. */
export interface WireFormat {
  readonly contentType: string;
  readonly numberPrefix: string;
  read(body: string): ReadMessage | { readonly fault: string };
  receipt(message: StoredMessage): string;
  refusal(words: string): string;
}

export interface ReadMessage {
  readonly reference: string;
  readonly messageType: string;
  readonly state: StateClaim | null;
}

export interface StandIn {
  readonly url: string;
  /** What it says of itself; a test changes it to have it upgraded. */
  readonly description: SelfDescription;
  readonly ledger: Ledger;
  /** How often it misbehaved, by kind. */
  readonly misdeeds: ReadonlyMap<string, number>;
  close(): Promise<void>;
}

export const MESSAGE_TYPES: ReadonlySet<string> = new Set([
  'result',
  'withdrawal',
  'statement',
  'stop',
  'stop-escalation',
  'period',
]);

/**
 * What every stand-in destination shares: storing messages, answering for them, and doing both badly where
 * its schedule says so. Routes that differ are added by the caller.
 */
export class StandInServer {
  readonly server: FastifyInstance;
  readonly ledger: Ledger;
  readonly misdeeds = new Map<string, number>();
  readonly #counts: Record<Operation, number> = { store: 0, ask: 0, list: 0, describe: 0 };
  readonly #timers = new Set<NodeJS.Timeout>();
  #isClosed = false;
  #imposed: ImposedMisbehaviour | null = null;

  constructor(
    readonly options: StandInOptions,
    readonly wire: WireFormat,
    readonly description: SelfDescription,
    readonly onStored: (message: StoredMessage) => void,
  ) {
    this.ledger = openLedger(options.journal);
    this.server = Fastify({ logger: false, bodyLimit: 1_048_576, forceCloseConnections: true });
    this.server.removeAllContentTypeParsers();
    this.server.addContentTypeParser('*', { parseAs: 'string' }, (_request, body, done) =>
      done(null, body),
    );
    this.server.addHook('onRequest', async (request, reply) => {
      if (request.headers.authorization === `Bearer ${options.token}`) return;
      await this.answer(reply, 401, wire.refusal('bearer token missing or wrong'));
    });
    this.server.get('/books', async (_request, reply) =>
      reply.type('application/json').send(JSON.stringify(booksDocument(this.ledger.books))),
    );
    this.server.get('/misdeeds', async (_request, reply) =>
      reply.type('application/json').send(JSON.stringify(Object.fromEntries(this.misdeeds))),
    );
    // Whoever runs the story says what goes wrong from now on: an imposed misbehaviour, or `null` for none.
    this.server.put('/misbehaviour', async (request, reply) => {
      this.#imposed = JSON.parse(String(request.body)) as ImposedMisbehaviour | null;
      await reply.status(204).send();
    });
    // A crash between storing and applying leaves messages to apply after a start from the journal.
    for (const message of this.ledger.books.messages) if (!message.applied) this.onStored(message);
  }

  now(): string {
    return formatInstant(this.options.clock.now());
  }

  async listen(port: number): Promise<string> {
    return this.server.listen({ host: '127.0.0.1', port });
  }

  async close(): Promise<void> {
    this.#isClosed = true;
    for (const timer of this.#timers) clearTimeout(timer);
    await this.server.close();
  }

  /** Runs `work` once after a wait, unless the stand-in is closed before. */
  after(ms: number, work: () => void): void {
    if (this.#isClosed) return;
    const timer = setTimeout(() => {
      this.#timers.delete(timer);
      work();
    }, ms);
    this.#timers.add(timer);
  }

  /** Takes a message in, well or badly. */
  async store(body: string, key: string | null, reply: FastifyReply): Promise<void> {
    const act = this.#next('store', body);
    if (act?.kind === 'unavailable') return this.#unavailable(reply, act.retryAfterSeconds);
    if (act?.kind === 'reject') return this.answer(reply, act.status, this.wire.refusal(act.words));
    if (act?.kind === 'hang') return void reply.hijack();
    if (act?.kind === 'error-document') return this.answer(reply, 200, this.wire.refusal('failed'));
    if (act?.kind === 'store-late') await this.#holdBack(act, reply);
    const message = this.wire.read(body);
    if ('fault' in message) return this.answer(reply, 400, this.wire.refusal(message.fault));
    if (!MESSAGE_TYPES.has(message.messageType)) {
      return this.answer(reply, 400, this.wire.refusal(`message type ${message.messageType}`));
    }
    const held = this.#keep(message, body, this.options.honoursKey ? key : null);
    if (held === 'key-reused') {
      return this.answer(reply, 422, this.wire.refusal('the key was used with other content'));
    }
    const status = this.wire.numberPrefix === 'L' ? 201 : 200;
    return this.#answerAs(act, reply, status, this.wire.receipt(held));
  }

  /** Answers a question about what is held, unless the schedule has something worse in mind. */
  async ask(
    reply: FastifyReply,
    held: () => string,
    operation: Exclude<Operation, 'store'> = 'ask',
  ): Promise<void> {
    if (!this.options.askable) {
      return this.answer(reply, 404, this.wire.refusal('this system cannot be asked'));
    }
    const act = this.#next(operation, '');
    if (act?.kind === 'unavailable') return this.#unavailable(reply, act.retryAfterSeconds);
    if (act?.kind === 'hang') return void reply.hijack();
    if (act?.kind === 'error-document') return this.answer(reply, 200, this.wire.refusal('failed'));
    return this.#answerAs(act, reply, 200, held());
  }

  /** Until nobody waits for the answer any more, and a while longer. */
  async #holdBack(
    { ms, clientWaitsMs }: Extract<Misbehaviour, { kind: 'store-late' }>,
    reply: FastifyReply,
  ): Promise<void> {
    if (clientWaitsMs !== undefined) {
      const hungUp = new Promise((resolve) => reply.raw.once('close', resolve));
      await Promise.race([hungUp, this.#wait(clientWaitsMs)]);
    }
    await this.#wait(ms);
  }

  #wait(ms: number): Promise<void> {
    return new Promise((resolve) => this.after(ms, resolve));
  }

  /** Answers in the way an act has it; what had to be stored is stored. */
  async #answerAs(
    act: Misbehaviour | null,
    reply: FastifyReply,
    status: number,
    body: string,
  ): Promise<void> {
    if (act?.kind === 'slow') await this.#wait(act.ms);
    switch (act?.kind) {
      case 'store-then-hang':
        return void reply.hijack();
      case 'store-then-reset':
        reply.hijack();
        return void reply.raw.socket?.resetAndDestroy();
      case 'store-then-half':
        this.#begin(reply, status, body).write(body.slice(0, body.length / 2), () =>
          reply.raw.destroy(),
        );
        return;
      case 'store-then-drip':
        return this.#drip(this.#begin(reply, status, body), body, act.everyMs);
      default:
        return this.answer(reply, status, body);
    }
  }

  /** Takes the answer into its own hands and sends its head, which promises all of the body. */
  #begin(reply: FastifyReply, status: number, body: string): ServerResponse {
    reply.hijack();
    const type = this.wire.contentType;
    return reply.raw.writeHead(status, {
      'content-type': type,
      'content-length': Buffer.byteLength(body),
    });
  }

  #drip(raw: ServerResponse, body: string, everyMs: number, sent = 0): void {
    if (raw.destroyed) return;
    if (sent >= body.length) return void raw.end();
    raw.write(body.slice(sent, sent + 1));
    this.after(everyMs, () => this.#drip(raw, body, everyMs, sent + 1));
  }

  async answer(reply: FastifyReply, status: number, body: string): Promise<void> {
    await reply.status(status).type(this.wire.contentType).send(body);
  }

  #unavailable(reply: FastifyReply, retryAfterSeconds: number): Promise<void> {
    reply.header('retry-after', String(retryAfterSeconds));
    return this.answer(reply, 503, this.wire.refusal('not now'));
  }

  #next(operation: Operation, body: string) {
    this.#counts[operation] += 1;
    const ordinal = this.#counts[operation];
    const imposed = this.#imposed;
    const act =
      imposed !== null && ordinal % imposed.every === 0 && concerns(imposed.act, operation)
        ? imposed.act
        : misbehaviourFor(this.options.schedule, { operation, ordinal, body });
    if (act !== null) this.misdeeds.set(act.kind, (this.misdeeds.get(act.kind) ?? 0) + 1);
    return act;
  }

  #keep(message: ReadMessage, content: string, key: string | null): StoredMessage | 'key-reused' {
    const { messages } = this.ledger.books;
    const same = key === null ? undefined : messages.find((m) => m.key === key);
    if (same !== undefined) return same.content === content ? same : 'key-reused';
    const number = `${this.wire.numberPrefix}-${String(messages.length + 1).padStart(6, '0')}`;
    this.ledger.record({ event: 'stored', at: this.now(), number, key, content, ...message });
    const stored = messages[messages.length - 1] as StoredMessage;
    this.onStored(stored);
    return stored;
  }
}
