import { setTimeout as wait } from 'node:timers/promises';
import { addMs, type Instant } from '../formats/instant.js';
import { type Bell, type BellHandler, ringDestinations } from '../queue/work-queue.js';
import type { GatewayParts } from './gateway-parts.service.js';

/** Receipts evaluated before other work gets its turn. */
const RECEIPTS_A_ROUND = 50;
/**
 * Under load a receipt hears of many confirmations a second, none of which can make a *conforms* untrue. A round rests
 * several times as long as it took, so that evaluating them together leaves the time to the deliveries themselves. What
 * makes one untrue is evaluated where it is committed, unless it does so for very many: a round that stopped any is
 * followed by the next at once.
 */
const REST_TIMES = 8;
const REST_MS_MAX = 1_500;
/** Looks for marks; what they name is compared within a second. */
const COMPARE_EVERY_MS = 500;
const COMPARE_REST_TIMES = 10;

/** Says who answers which bell: this is the sequence of the stages as work. */
export function answerBells(gateway: GatewayParts): void {
  const { queue, bundles, deliveries, statements, comparison, sweeps, watch } = gateway;
  const { database, clock, site, worker, escalations, attributionWatch, stopsFirst } = gateway;
  // What may start nothing leaves it to the others: it may judge by a life or a folder that is over.
  const answer = (bell: Bell, handler: BellHandler) =>
    queue.answer(bell, async (ringing) =>
      worker.mayStart ? await handler(ringing) : { nextDueAt: null },
    );

  answer('bundles', async () => {
    if (await bundles.workOnce()) queue.ring('bundles');
    return { nextDueAt: null };
  });

  answer('receipts', async () => {
    await stopsFirst.whenNone();
    const startedAt = performance.now();
    const failures: unknown[] = [];
    const hasNews = await attributionWatch.round().catch((error: unknown) => {
      failures.push(error);
      return true;
    });
    const evaluated = await statements.evaluateDue(RECEIPTS_A_ROUND).catch((error: unknown) => {
      failures.push(error);
      return [];
    });
    // A conforms waits while its receipt does, also when the evaluation brings nothing new. What was committed before
    // something failed waits for no sweep.
    if (
      hasNews ||
      failures.length > 0 ||
      evaluated.some((e) => e.isNew || e.outcome === 'conforms')
    ) {
      ringDestinations(queue, site.destinations);
    }
    const effective = (await statements.hasOpenStops())
      ? await database.transact((trx) => statements.updateStopEffectiveness(trx, clock.now()))
      : [];
    if (effective.length > 0) ringDestinations(queue, site.destinations);
    if (failures.length > 0) throw failures[0];
    if (evaluated.length >= RECEIPTS_A_ROUND || effective.length > 0) queue.ring('receipts');
    const tookMs = performance.now() - startedAt;
    const hasStop = evaluated.some(({ stop, isNew }) => isNew && stop !== 'none');
    if (evaluated.length > 0 && !hasStop) await wait(Math.min(REST_MS_MAX, REST_TIMES * tookMs));
    return { nextDueAt: null };
  });

  answer('comparison', async () => {
    await stopsFirst.whenNone();
    const startedAt = performance.now();
    const round = await comparison.round();
    const tookMs = performance.now() - startedAt;
    // Nobody acts on it: it takes a small share of the time, and is seldom more than a second behind.
    if (round !== null && round.compared > 0) {
      await wait(Math.min(COMPARE_EVERY_MS, COMPARE_REST_TIMES * tookMs));
    }
    if (round?.isMore === true) queue.ring('comparison');
    return { nextDueAt: addMs(clock.now(), COMPARE_EVERY_MS) };
  });

  answer('escalations', async () => ({ nextDueAt: await escalations.workOnce() }));

  for (const destination of site.destinations) {
    const { name } = destination;
    answer(`sweeps:${name}`, async () => {
      const lookAt = await watch.lookWhenDue(destination);
      const { nextDueAt } = await sweeps.workOnce(name);
      if (lookAt === null || nextDueAt === null) return { nextDueAt: lookAt ?? nextDueAt };
      return { nextDueAt: Math.min(lookAt, nextDueAt) as Instant };
    });
    answer(`deliveries:${name}`, (ringing) => deliveries.workOnce(name, ringing));
    answer(`stops:${name}`, (ringing) => deliveries.workStops(name, ringing));
  }
}
