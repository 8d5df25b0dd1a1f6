import { type ReceiptState, type StoredMessage } from './books.js';
import { erpField, escapeXml, readErpMessage } from './erp-message.js';
import { ErpReleases, type ReleaseOptions } from './erp-release.client.js';
import { type HeldQuery, heldPage, selfDescription } from './held-page.js';
import {
  type StandIn,
  type StandInOptions,
  StandInServer,
  type WireFormat,
} from './stand-in.server.js';
import { readKey } from './stand-in-lims.server.js';
import type { GatewayAddress } from './statement-pull.client.js';

export interface StandInErpOptions extends StandInOptions, ReleaseOptions {
  /** How often it looks again at every receipt it has heard of. */
  readonly roundMs: number;
}

export interface StandInErp extends StandIn {
  readonly releases: ErpReleases;
}

const WIRE: WireFormat = {
  contentType: 'application/xml',
  numberPrefix: 'E',
  read(body) {
    const message = readErpMessage(body);
    if ('fault' in message) return message;
    const { reference, messageType } = message;
    if (messageType !== 'statement' && messageType !== 'stop') {
      return { reference, messageType, state: null };
    }
    const receiptId = erpField(message, 'Receipt');
    const revision = Number(erpField(message, 'Revision') ?? 'none');
    const usageDecision = erpField(message, 'UsageDecision');
    if (receiptId === null || usageDecision === null || !Number.isSafeInteger(revision)) {
      return { fault: 'a statement needs Receipt, Revision and UsageDecision' };
    }
    return { reference, messageType, state: { receiptId, revision, usageDecision } };
  },
  receipt: (message) =>
    `<MessageReceipt><Number>${message.number}</Number><Reference>${escapeXml(message.reference)}</Reference></MessageReceipt>`,
  refusal: (words) => `<Refusal><Reason>${escapeXml(words)}</Reason></Refusal>`,
};

/**
 * Starts the stand-in ERP: XML, a message stored once per idempotency key, one state per receipt id, its own
 * releases and stock issues by the published rule once it knows the gateway's address.
 */
export async function startStandInErp(options: StandInErpOptions, port = 0): Promise<StandInErp> {
  const itself = selfDescription('stand-in ERP', options.environment);
  const standIn: StandInServer = new StandInServer(options, WIRE, itself, (message) => {
    // Deferred: a start from the journal applies before the server object is assigned.
    queueMicrotask(() => standIn.after(options.processingMs, () => releases.apply(message)));
  });
  const releases = new ErpReleases(standIn.ledger, options);
  addRoutes(standIn, releases);
  const again = (): void => {
    void releases.round().finally(() => standIn.after(options.roundMs, again));
  };
  standIn.after(options.roundMs, again);
  const url = await standIn.listen(port);
  const { ledger, misdeeds, description } = standIn;
  return { url, ledger, misdeeds, description, releases, close: () => standIn.close() };
}

function addRoutes(standIn: StandInServer, releases: ErpReleases): void {
  standIn.server.post('/inbound', async (request, reply) => {
    const key = readKey(request.headers['idempotency-key']);
    await standIn.store(typeof request.body === 'string' ? request.body : '', key, reply);
  });
  standIn.server.get<{ Querystring: { reference?: string } }>('/messages', async (request, reply) =>
    standIn.ask(reply, () => {
      const held = standIn.ledger.books.messages.filter(
        (m) => m.reference === request.query.reference,
      );
      return `<Messages>${held.map(messageXml).join('')}</Messages>`;
    }),
  );
  standIn.server.get<{ Querystring: HeldQuery }>('/held', async (request, reply) =>
    standIn.ask(
      reply,
      () => {
        const { messages, next } = heldPage(standIn.ledger.books.messages, request.query);
        return `<Held>${messages.map(messageXml).join('')}<Next>${next}</Next></Held>`;
      },
      'list',
    ),
  );
  standIn.server.get('/description', async (_request, reply) => {
    const { name, version, environment } = standIn.description;
    const text = `<Description><Name>${escapeXml(name)}</Name><Version>${escapeXml(version)}</Version><Environment>${escapeXml(environment)}</Environment></Description>`;
    await standIn.ask(reply, () => text, 'describe');
  });
  standIn.server.get('/canary', async (_request, reply) => {
    const { decision, score } = standIn.description.canary;
    const text = `<Canary><Decision>${escapeXml(decision)}</Decision><Score>${escapeXml(score)}</Score></Canary>`;
    await standIn.ask(reply, () => text, 'describe');
  });
  standIn.server.get<{ Params: { id: string } }>('/receipts/:id', async (request, reply) => {
    const state = standIn.ledger.books.receipts.get(request.params.id);
    if (state === undefined) {
      return standIn.answer(reply, 404, '<Refusal><Reason>receipt unknown</Reason></Refusal>');
    }
    return standIn.ask(reply, () => stateXml(state));
  });
  standIn.server.put('/gateway', async (request, reply) => {
    const gateway = readGateway(request.body);
    if (gateway === null) return standIn.answer(reply, 400, '<Refusal/>');
    releases.setGateway(gateway);
    return standIn.answer(reply, 200, '<Taken/>');
  });
}

function messageXml(message: StoredMessage): string {
  const read = readErpMessage(message.content);
  const content = 'fault' in read ? '' : read.bodyXml;
  return `<Message><Number>${message.number}</Number><Reference>${escapeXml(message.reference)}</Reference><MessageType>${escapeXml(message.messageType)}</MessageType><StoredAt>${message.arrivedAt}</StoredAt><Applied>${message.applied}</Applied><Content>${content}</Content></Message>`;
}

function stateXml(state: ReceiptState): string {
  return `<ReceiptState><Receipt>${escapeXml(state.receiptId)}</Receipt><Revision>${state.revision}</Revision><UsageDecision>${escapeXml(state.usageDecision)}</UsageDecision><Usage>${state.usage}</Usage><Issued>${state.issuedContainers.length}</Issued></ReceiptState>`;
}

/** Body `{"url":"http://…","key":"…"}`: where to pull statements, told by whoever runs the story. */
function readGateway(body: unknown): GatewayAddress | null {
  try {
    const { url, key } = JSON.parse(String(body)) as Record<string, unknown>;
    return typeof url === 'string' && typeof key === 'string' ? { url, key } : null;
  } catch {
    // Not JSON: the caller answers 400.
    return null;
  }
}
