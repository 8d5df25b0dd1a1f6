// One of several processes of the delivery stage over PostgreSQL, woken by BullMQ on Redis, as `drumline work`
// wires it: it builds and sends what is due. One of them also fills the outbox, as a gateway would.
import { pino } from 'pino';
import { WorkerService } from '../dist/pipeline/worker.service.js';
import { BullMqQueue } from '../dist/queue/bullmq.queue.js';
import { openDatabase } from '../dist/storage/database.js';
import { answerParent } from './child.mjs';
import { DESTINATION, fillOutbox, openStage, SITE } from './outbox-stage.mjs';

const BELL = `deliveries:${DESTINATION}`;
const INSTANCE = '01900000-0000-7000-8000-0000000000be';

const log = pino({ level: 'error' }, pino.destination(2));
let database;
let service;
let worker;
let queue;

answerParent({
  open: async ({ directory, databaseUrl, redisUrl, ...stage }) => {
    database = await openDatabase({ dataDirectory: directory, databaseUrl });
    const { clock } = database;
    worker = new WorkerService({ database, clock, log });
    service = openStage({ ...stage, database, clock, worker });
    const onError = (bell, err) => log.error({ event: 'work.failed', bell, err });
    const owner = { site: SITE, instance: INSTANCE, bells: [BELL] };
    queue = await BullMqQueue.open({ url: redisUrl, owner, clock, log, onError });
    await worker.begin();
    worker.keepBeating(async () => undefined);
    queue.answer(BELL, (ringing) => service.workOnce(DESTINATION, ringing));
  },
  /** A ring for every few hundred, as bundles that settle would ring. */
  fill: async (load) => {
    const ringing = {
      clock: database.clock,
      database: {
        transact: async (work) => {
          await database.transact(work);
          queue.ring(BELL);
        },
      },
    };
    await fillOutbox(ringing, load);
  },
  close: async () => {
    service.stopTaking();
    await queue.drain();
    await worker.end();
    await service.close();
    await database.close();
  },
});
