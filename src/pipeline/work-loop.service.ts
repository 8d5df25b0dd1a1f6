import type { Bell, BellHandler } from '../queue/work-queue.js';
import type { GatewayParts } from './gateway-parts.service.js';

/** Receipts evaluated before other work gets its turn. */
const RECEIPTS_A_ROUND = 50;

/** Says who answers which bell: this is the sequence of the stages as work. */
export function answerBells(gateway: GatewayParts): void {
  const { queue, bundles, deliveries, statements, database, clock, site } = gateway;
  const answer = (bell: Bell, handler: BellHandler) => queue.answer(bell, handler);

  answer('bundles', async () => {
    if (await bundles.workOnce()) queue.ring('bundles');
    return { nextDueAt: null };
  });

  answer('receipts', async () => {
    const evaluated = await statements.evaluateDue(RECEIPTS_A_ROUND);
    const effective = await database.transact((trx) =>
      statements.updateStopEffectiveness(trx, clock.now()),
    );
    if (evaluated.some((e) => e.isNew)) {
      for (const { name } of site.destinations) {
        queue.ring(`stops:${name}`);
        queue.ring(`deliveries:${name}`);
      }
    }
    if (evaluated.length === RECEIPTS_A_ROUND || effective.length > 0) queue.ring('receipts');
    return { nextDueAt: null };
  });

  for (const { name } of site.destinations) {
    answer(`deliveries:${name}`, (ringing) => deliveries.workOnce(name, ringing));
    answer(`stops:${name}`, (ringing) => deliveries.workStops(name, ringing));
  }
}
