import { describe, expect, it } from 'vitest';
import type { DeliveryParts } from '../../src/delivery/delivery-parts.service.js';
import { askForLook } from '../../src/delivery/destination.store.js';
import type { AskResult } from '../../src/delivery/endpoint.js';
import { Looking } from '../../src/delivery/looking.service.js';
import { addMs } from '../../src/formats/instant.js';
import { DestinationWatch } from '../../src/reconciliation/destination-watch.service.js';
import type { MappingDocument } from '../../src/site/mapping-document.js';
import type { Destination } from '../../src/site/site-folder.js';
import { site, time } from '../statements/conforming-facts.js';
import { ManualClock, temporaryDatabase } from '../support/temp-database.js';

const DESCRIBED = {
  format: 'json',
  describe: { request: { method: 'GET', path: 'about' }, parts: ['/version'], canary: null },
} as unknown as MappingDocument;

function says(version: string): AskResult {
  const body = Buffer.from(JSON.stringify({ version }));
  return { kind: 'answered', status: 200, retryAfter: null, body, isCut: false };
}

/** Two processes that look at `erp`, each answered as its test says. */
async function openWatches() {
  const database = await temporaryDatabase();
  const clock = new ManualClock(time('09:00'));
  const erp = site.destinations.find((d) => d.name === 'erp') as Destination;
  const watchAnswered = (ask: () => Promise<AskResult>) =>
    new DestinationWatch({
      database,
      clock,
      site: { ...site, destinations: [erp] },
      looking: new Looking({
        endpoint: () => ({ ask }),
        options: { secrets: { mask: (text: string) => text } },
      } as unknown as DeliveryParts),
      documents: new Map([['erp', DESCRIBED]]),
      onChanged: () => undefined,
    });
  return { database, clock, erp, watchAnswered };
}

describe('rule 27: looks of two processes at once', () => {
  it('ends no hold by what was seen before the other saw the change', async () => {
    const { clock, erp, watchAnswered } = await openWatches();
    const first = watchAnswered(() => Promise.resolve(says('1.0')));
    await first.begin();
    await first.lookWhenDue(erp);
    expect(await first.list()).toMatchObject([{ hold: null, must_look: 0 }]);

    clock.advance(86_400_000);
    let answer: (result: AskResult) => void = () => undefined;
    const slow = watchAnswered(() => new Promise((resolve) => (answer = resolve)));
    const looked = slow.lookWhenDue(erp);
    await expect.poll(() => answer.length).toBe(1);
    const other = watchAnswered(() => Promise.resolve(says('2.0')));
    const again = await other.lookWhenDue(erp);
    expect(await first.list()).toMatchObject([{ hold: 'changed' }]);

    answer(says('1.0'));
    expect(await looked).toBe(again);
    expect(await first.list()).toMatchObject([{ hold: 'changed', look_at: again }]);
    clock.advance(30_000);
    await first.lookWhenDue(erp);
    expect(await first.list()).toMatchObject([{ hold: null }]);
  });
});

describe('rule 27: a look that a clock put off which has gone back since', () => {
  it('is made at once: until it is, no conforms leaves', async () => {
    const { database, clock, erp, watchAnswered } = await openWatches();
    const watch = watchAnswered(() => Promise.resolve(says('1.0')));
    await watch.begin();
    await watch.lookWhenDue(erp);
    clock.advance(3_600_000);
    const ahead = clock.now();
    await database.transact((trx) => askForLook(trx, { site: site.site, name: 'erp' }, ahead));
    clock.advance(-3_600_000);
    await watch.lookWhenDue(erp);
    expect(await watch.list()).toMatchObject([{ must_look: 0 }]);
  });

  it('is waited for where it was put off as long as it may be', async () => {
    const { clock, erp, watchAnswered } = await openWatches();
    let looks = 0;
    const watch = watchAnswered(() => {
      looks += 1;
      return Promise.resolve(says('1.0'));
    });
    await watch.begin();
    await watch.lookWhenDue(erp);
    clock.advance(-1);
    expect(await watch.lookWhenDue(erp)).not.toBeNull();
    expect(looks).toBe(2);
    expect(await watch.lookWhenDue(erp)).toBe(addMs(clock.now(), 86_400_000));
    expect(looks).toBe(2);
  });
});
