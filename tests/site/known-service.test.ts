import { describe, expect, it } from 'vitest';
import type { Instant } from '../../src/formats/instant.js';
import {
  type KnownService,
  knownServiceFrom,
  SINCE_EVER,
} from '../../src/site/instrument-service.js';
import type { Instrument } from '../../src/site/site-folder.js';
import { site } from '../statements/conforming-facts.js';

const at = (n: number) => n as Instant;
const [registered] = site.instruments;
if (registered === undefined) throw new Error('the site has instruments');
const { serial, area } = registered;

/** `area from to` of what is known once these folders came into force, the first one at once. */
function known(...folders: readonly (readonly [at: number, ...of: Partial<Instrument>[]])[]) {
  let spans: KnownService[] = [];
  for (const [from, ...instruments] of folders) {
    const all = instruments.map((over) => ({ ...registered, ...over }) as Instrument);
    spans = knownServiceFrom(spans, all, at(from));
  }
  return spans.map((span) => `${span.area} ${span.from} ${span.to ?? '-'}`);
}

describe('what is known of the service of an instrument', () => {
  it('is what each folder says of the time while it was in force', () => {
    const later = { inServiceSince: at(500) };
    expect(known([SINCE_EVER, {}])).toEqual([`${area} 0 -`]);
    expect(known([SINCE_EVER, {}], [100, {}], [200, {}])).toEqual([`${area} 0 -`]);
    expect(known([SINCE_EVER, {}], [100, { inService: false }])).toEqual([`${area} 0 100`]);
    expect(known([SINCE_EVER, {}], [100])).toEqual([`${area} 0 100`]);
    expect(known([SINCE_EVER, {}], [100, later])).toEqual([`${area} 0 100`, `${area} 500 -`]);
    expect(known([SINCE_EVER, {}], [100, { area: 'west-dock' }])).toEqual([
      `${area} 0 100`,
      'west-dock 100 -',
    ]);
    expect(known([SINCE_EVER, {}], [100], [200, {}])).toEqual([`${area} 0 100`, `${area} 200 -`]);
    expect(known([SINCE_EVER], [100, {}])).toEqual([`${area} 100 -`]);
  });

  it('leaves out spans that a folder said while it was in force, and no others', () => {
    const out = (from: number, to: number | null) => ({
      outOfService: [{ from: at(from), to: to === null ? null : at(to), decision: 'D-9' }],
    });
    expect(known([SINCE_EVER, out(50, 70)])).toEqual([`${area} 0 50`, `${area} 70 -`]);
    // Noted afterwards: only a decision excuses what the folder before said.
    expect(known([SINCE_EVER, {}], [100, out(50, null)])).toEqual([`${area} 0 100`]);
    expect(known([SINCE_EVER, {}], [100, out(50, 120)])).toEqual([
      `${area} 0 100`,
      `${area} 120 -`,
    ]);
    expect(known([SINCE_EVER, {}], [100, out(150, null)], [200])).toEqual([`${area} 0 150`]);
    // What a folder said of a time at which it was not in force any more is not known.
    expect(known([SINCE_EVER, {}], [100, out(150, 170)], [160, {}])).toEqual([
      `${area} 0 150`,
      `${area} 160 -`,
    ]);
  });

  it('keeps instruments apart', () => {
    const other = { serial: 'NQ-R-0009' };
    const spans = knownServiceFrom(
      knownServiceFrom([], [registered, { ...registered, ...other }], SINCE_EVER),
      [registered],
      at(100),
    );
    expect(spans).toEqual([
      { serial, area, from: 0, to: null },
      { ...other, area, from: 0, to: 100 },
    ]);
  });
});
