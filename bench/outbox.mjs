// The delivery stage alone, as the gateway wires it, over a database of its own. The payloads are built before
// the clock starts.
import { DeliveryService } from '../dist/delivery/delivery.service.js';
import { resultKey } from '../dist/delivery/new-delivery.js';
import { enqueueDelivery } from '../dist/delivery/outbox.store.js';
import { finishPayload } from '../dist/mapping/payload.js';
import { sampleResult } from '../dist/mapping/sample-subjects.js';
import { anchoredClock } from '../dist/storage/clock.js';
import { openDatabase } from '../dist/storage/database.js';
import { answerParent, now } from './child.mjs';
import { treeOf } from './message.mjs';

const SITE = 'northquay';
const DESTINATION = 'sink';
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

const clock = anchoredClock();
let database;
let service;
let bodyBytes = 0;

answerParent({
  open: async ({ directory, sinkUrl, connections }) => {
    database = await openDatabase(directory);
    service = new DeliveryService({
      database,
      site: {
        site: SITE,
        timeZone: 'Europe/London',
        destinations: [destination(sinkUrl, connections)],
      },
      clock,
      mapping: { forDigest: async () => ({ document: DOCUMENT }), build },
      loadSubject: async ({ id, idempotency_key: idempotencyKey, build: number }) => ({
        ...sampleResult(),
        reference: id,
        idempotencyKey,
        build: number,
      }),
      worker: { id: 'bench', mayStart: true },
      secrets: () => 'simulated',
      onReceiptChanged: () => undefined,
      random: Math.random,
    });
  },
  fill: async ({ messages, keys, bodyBytes: bytes, round }) => {
    bodyBytes = bytes;
    for (let from = 0; from < messages; from += FILL_AT_ONCE) {
      await database.transact(async (trx) => {
        for (let i = from; i < Math.min(messages, from + FILL_AT_ONCE); i++) {
          await enqueueDelivery(trx, newDelivery(round, i, keys));
        }
      });
    }
    while ((await service.buildDue(DESTINATION)) > 0);
  },
  run: async ({ messages }) => {
    const before = await acceptedSoFar();
    const startedAt = now();
    await service.workOnce(DESTINATION);
    const endedAt = now();
    const accepted = (await acceptedSoFar()) - before;
    if (accepted !== messages) throw new Error(`${accepted} of ${messages} were accepted`);
    return endedAt - startedAt;
  },
  close: async () => {
    await service.close();
    await database.close();
  },
});

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

async function build(_digest, _message, subject) {
  const tree = treeOf(subject.reference, bodyBytes);
  return finishPayload(DOCUMENT, MESSAGE, subject, { tree, problems: [] });
}

function newDelivery(round, index, keys) {
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

async function acceptedSoFar() {
  const { n } = await database.db
    .selectFrom('delivery')
    .select((eb) => eb.fn.countAll().as('n'))
    .where('state', '=', 'accepted')
    .executeTakeFirstOrThrow();
  return Number(n);
}
