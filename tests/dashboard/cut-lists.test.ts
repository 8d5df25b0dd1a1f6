import { describe, expect, it } from 'vitest';
import { AttributionPagesController } from '../../src/dashboard/attribution-pages.controller.js';
import { PageSite } from '../../src/dashboard/page-site.js';
import { ReviewPagesController } from '../../src/dashboard/review-pages.controller.js';
import { ManualClock } from '../support/temp-database.js';
import { text } from './html.js';
import { at } from './sample-views.js';

const SITE = new PageSite({
  site: 'northquay',
  title: 'Northquay',
  environment: 'training',
  simulated: true,
  timeZone: 'Europe/London',
});
const CLOCK = new ManualClock(at('2026-06-04T13:20:11Z'));

const reader = { caller: { kind: 'machine' }, formToken: null };

/** Keeps the page that a controller sends. */
function replyTo() {
  const sent: string[] = [];
  const reply = {
    headers: () => reply,
    send: (page: string) => {
      sent.push(page);
      return Promise.resolve();
    },
  };
  return { reply: reply as never, sent };
}

describe('a list that is longer than its page', () => {
  it('of proposed attributions leads to the rest', async () => {
    const all = Array.from({ length: 130 }, (_, i) => ({
      id: `p-${String(i).padStart(3, '0')}`,
      rowId: `row-${i}`,
      state: 'open',
      from: { receiptId: 'R-1', container: 'C-1' },
      to: { receiptId: 'R-2', container: 'C-2' },
      label: { receipt: 'R', container: 'C', lot: null, seenBy: 'L. Looker (simulated)' },
      reason: 'read off the drum',
      proposedBy: 'R. Reviewer (simulated)',
      proposedAt: '2026-06-04T10:00:00Z',
      revision: null,
      signature: null,
    }));
    const source = {
      list: (after: string, limit: number) =>
        Promise.resolve(all.filter(({ id }) => id > after).slice(0, limit)),
    };
    const controller = new AttributionPagesController(source as never, SITE, CLOCK);
    const seen = new Set<string>();
    let after: string | undefined;
    for (let page = 0; page < 5; page += 1) {
      const { reply, sent } = replyTo();
      await controller.list(after, reader as never, reply);
      const html = sent.join('');
      for (const [, id] of html.matchAll(/href="\/attributions\/(p-\d+)"/g)) seen.add(id ?? '');
      after = /href="\/attributions\?after=([^"]+)"/.exec(html)?.[1];
      if (after === undefined) break;
    }
    expect([...seen]).toEqual(all.map(({ id }) => id));
  });

  it('of held bundles says that there are more', async () => {
    const held = (count: number) =>
      Array.from({ length: count }, (_, i) => ({
        rowId: `b-${i}`,
        bundleId: `b-${i}`,
        instrument: 'NQ-R-0001',
        receivedAt: '2026-06-04T10:00:00Z',
        heldBy: ['schema'],
      }));
    const shown = async (count: number) => {
      const controller = new ReviewPagesController(
        { list: () => Promise.resolve({ waiting: [], next: null }) } as never,
        { list: (limit: number) => Promise.resolve(held(count).slice(0, limit)) } as never,
        SITE,
        CLOCK,
      );
      const { reply, sent } = replyTo();
      await controller.list(undefined, reader as never, reply);
      return text(sent.join(''));
    };
    expect(await shown(100)).not.toContain('more bundles');
    expect(await shown(101)).toContain('more bundles');
  });
});
