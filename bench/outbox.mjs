// The delivery stage over a SQLite database of its own, without a queue: what is due is worked through once. The
// payloads are built before the clock starts.
import { openDatabase } from '../dist/storage/database.js';
import { answerParent, now } from './child.mjs';
import { DESTINATION, fillOutbox, openStage } from './outbox-stage.mjs';

let database;
let service;

answerParent({
  open: async ({ directory, ...stage }) => {
    database = await openDatabase(directory);
    const worker = { id: 'bench', mayStart: true };
    service = openStage({ ...stage, database, clock: database.clock, worker });
  },
  fill: async (load) => {
    await fillOutbox({ database, clock: database.clock }, load);
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

async function acceptedSoFar() {
  const { n } = await database.db
    .selectFrom('delivery')
    .select((eb) => eb.fn.countAll().as('n'))
    .where('state', '=', 'accepted')
    .executeTakeFirstOrThrow();
  return Number(n);
}
