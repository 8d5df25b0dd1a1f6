// The delivery stage alone, as the gateway wires it, with payloads of a size of their own and no mapping.
import { Secrets } from '../dist/access/secrets.files.js';
import { DeliveryService } from '../dist/delivery/delivery.service.js';
import { resultKey } from '../dist/delivery/new-delivery.js';
import { enqueueDeliveries } from '../dist/delivery/outbox-rows.store.js';
import { StopsFirst } from '../dist/delivery/stops-first.service.js';
import { finishPayload } from '../dist/mapping/payload.js';
import { sampleResult } from '../dist/mapping/sample-subjects.js';
import { treeOf } from './message.mjs';

export const SITE = 'northquay';
export const DESTINATION = 'sink';
const FILL_AT_ONCE = 500;

const MESSAGE = {
  request: { method: 'POST', path: 'api/identity-results' },
  fields: [],
  answer: { echo: [{ sent: '/reference', held: '/reference' }], reference: '/number' },
  readBack: null,
  contract: null,
};
const DOCUMENT = {
  destination: DESTINATION,
  format: 'json',
  messages: { result: MESSAGE },
  tables: {},
  permits: [],
};

/** @param options `bodyBytes` of every payload, `connections` to the sink, who the `worker` is */
export function openStage({ database, clock, worker, sinkUrl, connections, bodyBytes }) {
  const build = async (_digest, _message, subject) => {
    const tree = treeOf(subject.reference, bodyBytes);
    return finishPayload(DOCUMENT, MESSAGE, subject, { tree, problems: [] });
  };
  return new DeliveryService({
    database,
    site: {
      site: SITE,
      timeZone: 'Europe/London',
      destinations: [destination(sinkUrl, connections)],
    },
    clock,
    mapping: { forDigest: async () => ({ document: DOCUMENT }), build },
    loadSubject: async (_reader, { id, idempotency_key: idempotencyKey, build: number }) => ({
      ...sampleResult(),
      reference: id,
      idempotencyKey,
      build: number,
    }),
    worker,
    stopsFirst: new StopsFirst(),
    secrets: new Secrets({ TOKEN: 'simulated' }),
    onReceiptChanged: () => undefined,
    random: Math.random,
  });
}

/** Puts messages into the outbox, a few hundred a transaction. */
export async function fillOutbox({ database, clock }, { messages, keys, round }) {
  for (let from = 0; from < messages; from += FILL_AT_ONCE) {
    const count = Math.min(FILL_AT_ONCE, messages - from);
    const some = Array.from({ length: count }, (_, i) => newDelivery(clock, round, from + i, keys));
    await database.transact((trx) => enqueueDeliveries(trx, some));
  }
}

function destination(baseUrl, connections) {
  return {
    name: DESTINATION,
    title: 'Sink',
    endpoint: { kind: 'http', baseUrl, allow: ['127.0.0.0/8'], bearer: 'env:TOKEN' },
    honoursKey: true,
    acts: false,
    requiredForStatement: true,
    timing: {
      deadlineMs: 30_000,
      processingMs: 20,
      settleMs: 100,
      absentAsks: 2,
      retryBaseMs: 200,
      retryMaxMs: 3000,
      attemptsMax: 12,
      inFlightMax: connections,
      ratePerSecond: 10_000,
    },
  };
}

function newDelivery(clock, round, index, keys) {
  const subjectId = `${round}-${index}`;
  return {
    site: SITE,
    subjectKind: 'result',
    subjectId,
    subjectRevision: 1,
    receiptId: null,
    destination: DESTINATION,
    message: 'result',
    orderingKey: resultKey(String(index % keys)),
    isConforms: false,
    isContrary: false,
    mappingDigest: 'bench',
    epoch: 1,
    now: clock.now(),
  };
}
