import { setTimeout as wait } from 'node:timers/promises';
import type { Bell, BellHandler } from '../queue/work-queue.js';
import type { GatewayParts } from './gateway-parts.service.js';

/** Receipts evaluated before other work gets its turn. */
const RECEIPTS_A_ROUND = 50;
/**
 * Under load a receipt hears of many confirmations a second, none of which can make a *conforms* untrue (what
 * can is evaluated where it is committed). A round rests several times as long as it took, so that evaluating
 * them together leaves the time to the deliveries themselves.
 */
const REST_TIMES = 8;
const REST_MS_MAX = 1_500;

/** Says who answers which bell: this is the sequence of the stages as work. */
export function answerBells(gateway: GatewayParts): void {
  const { queue, bundles, deliveries, statements, database, clock, site, escalations } = gateway;
  const answer = (bell: Bell, handler: BellHandler) => queue.answer(bell, handler);

  answer('bundles', async () => {
    if (await bundles.workOnce()) queue.ring('bundles');
    return { nextDueAt: null };
  });

  answer('receipts', async () => {
    const startedAt = performance.now();
    const evaluated = await statements.evaluateDue(RECEIPTS_A_ROUND);
    const effective = (await statements.hasOpenStops())
      ? await database.transact((trx) => statements.updateStopEffectiveness(trx, clock.now()))
      : [];
    // A conforms waits while its receipt does, also when the evaluation brings nothing new.
    if (evaluated.some((e) => e.isNew || e.outcome === 'conforms')) {
      for (const { name } of site.destinations) queue.ringHere(`stops:${name}`);
      for (const { name } of site.destinations) queue.ring(`deliveries:${name}`);
    }
    if (evaluated.length === RECEIPTS_A_ROUND || effective.length > 0) queue.ring('receipts');
    const tookMs = performance.now() - startedAt;
    if (evaluated.length > 0) await wait(Math.min(REST_MS_MAX, REST_TIMES * tookMs));
    return { nextDueAt: null };
  });

  answer('escalations', async () => ({ nextDueAt: await escalations.workOnce() }));

  for (const { name } of site.destinations) {
    answer(`deliveries:${name}`, (ringing) => deliveries.workOnce(name, ringing));
    answer(`stops:${name}`, (ringing) => deliveries.workStops(name, ringing));
  }
}
