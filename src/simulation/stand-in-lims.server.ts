import { type HeldQuery, heldPage, selfDescription } from './held-page.js';
import {
  type StandIn,
  type StandInOptions,
  StandInServer,
  type WireFormat,
} from './stand-in.server.js';

const WIRE: WireFormat = {
  contentType: 'application/json',
  numberPrefix: 'L',
  read(body) {
    const document = readObject(body);
    if (document === null) return { fault: 'the body is not a JSON object' };
    const { reference, messageType } = document;
    if (typeof reference !== 'string' || reference === '') return { fault: 'reference is missing' };
    if (typeof messageType !== 'string') return { fault: 'messageType is missing' };
    return { reference, messageType, state: null };
  },
  receipt: (message) =>
    JSON.stringify({ stored: true, number: message.number, reference: message.reference }),
  refusal: (words) => JSON.stringify({ stored: false, reason: words }),
};

/**
 * Starts the stand-in LIMS: JSON, stores a new entry for every POST whatever key it carries (unless told to
 * honour keys), can be asked by reference (unless told not to be askable). Content is kept and shown as the
 * text that arrived, so no digit changes on the way back.
 */
export async function startStandInLims(options: StandInOptions, port = 0): Promise<StandIn> {
  const itself = selfDescription('stand-in LIMS', 'training');
  const standIn: StandInServer = new StandInServer(options, WIRE, itself, (message) => {
    // Deferred: a start from the journal applies before the server object is assigned.
    queueMicrotask(() =>
      standIn.after(options.processingMs, () =>
        standIn.ledger.record({ event: 'applied', at: standIn.now(), number: message.number }),
      ),
    );
  });
  standIn.server.post('/api/identity-results', async (request, reply) => {
    const key = readKey(request.headers['idempotency-key']);
    await standIn.store(typeof request.body === 'string' ? request.body : '', key, reply);
  });
  standIn.server.get<{ Querystring: { reference?: string } }>(
    '/api/identity-results',
    async (request, reply) => {
      await standIn.ask(reply, () => {
        const entries = standIn.ledger.books.messages
          .filter((m) => m.reference === request.query.reference)
          .map((m) => `{"number":"${m.number}","applied":${m.applied},"content":${m.content}}`);
        return `{"entries":[${entries.join(',')}]}`;
      });
    },
  );
  standIn.server.get<{ Querystring: HeldQuery }>('/api/held', async (request, reply) => {
    await standIn.ask(
      reply,
      () => {
        const { messages, next } = heldPage(standIn.ledger.books.messages, request.query);
        const entries = messages.map(
          (m) =>
            `{"number":"${m.number}","applied":${m.applied},"storedAt":"${m.arrivedAt}","content":${m.content}}`,
        );
        return `{"entries":[${entries.join(',')}],"next":${next === '' ? 'null' : `"${next}"`}}`;
      },
      'list',
    );
  });
  const { description } = standIn;
  standIn.server.get('/api/description', async (_request, reply) => {
    const { name, version, environment } = description;
    const text = JSON.stringify({ system: { name, version }, environment });
    await standIn.ask(reply, () => text, 'describe');
  });
  standIn.server.get('/api/canary', async (_request, reply) => {
    await standIn.ask(reply, () => JSON.stringify(description.canary), 'describe');
  });
  const url = await standIn.listen(port);
  const { ledger, misdeeds } = standIn;
  return { url, ledger, misdeeds, description, close: () => standIn.close() };
}

/** The header as a structured-field string, or as a bare token. */
export function readKey(header: string | string[] | undefined): string | null {
  const text = Array.isArray(header) ? header[0] : header;
  if (text === undefined || text === '') return null;
  return /^"([^"\\]*)"$/.exec(text)?.[1] ?? text;
}

function readObject(body: string): Record<string, unknown> | null {
  try {
    const value: unknown = JSON.parse(body);
    return typeof value === 'object' && value !== null && !Array.isArray(value)
      ? (value as Record<string, unknown>)
      : null;
  } catch {
    // Not JSON: the caller answers 400.
    return null;
  }
}
