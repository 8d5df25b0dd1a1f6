import { describe, expect, it } from 'vitest';
import { formatInstant } from '../../src/formats/instant.js';
import { time } from '../statements/conforming-facts.js';
import { StatementWorld } from '../statements/statement-world.js';
import { type Held, SweptWorld } from './swept-world.js';

/** A stop that a lost life left at `lims`, as it is listed. */
function foreign(more: Held = {}): Held {
  return {
    ref: 'of-a-lost-life',
    no: 'L-77',
    kind: 'S',
    receipt: 'R-1',
    rev: 6,
    at: formatInstant(time('08:30')),
    ...more,
  };
}

/** A receipt that lacks nothing but that what `shown` has the sweep find is ended; it never conformed. */
async function heldBack(shown: (swept: SweptWorld) => void) {
  const world = await StatementWorld.open();
  const swept = SweptWorld.over(world);
  await world.announce();
  await world.measure({ container: 'D-01' }, { container: 'D-02' });
  await swept.confirmAll();
  shown(swept);
  await swept.sweep();
  expect(await swept.open()).toHaveLength(1);
  await world.hear('NQ-R-0001', time('08:59'));
  await world.hear('NQ-R-0002', time('08:59'));
  await world.setDeliveries('result', 'confirmed');
  await swept.confirmAll();
  await world.statements.evaluateDue(10);
  expect((await world.told()).join()).not.toContain(' conforms');
  return { world, swept };
}

/** Every receipt is evaluated behind the change at which the process died. */
function watched({ world, swept }: Awaited<ReturnType<typeof heldBack>>, diesAt: number): void {
  swept.diesAt = diesAt;
  swept.between = async () => {
    await world.statements.evaluateDue(10);
  };
}

describe('a stop of a lost life that is listed under another name', () => {
  const NAMES: readonly (readonly [string, Held, Held])[] = [
    ['its number', foreign(), foreign({ no: 'N-1077' })],
    [
      'a digest of it, having neither number nor reference',
      foreign({ no: null, ref: null }),
      foreign({ no: null, ref: null, touched: '2026-03-04T08:59:00Z' }),
    ],
  ];
  const EVERY = NAMES.flatMap(([what, was, is]) =>
    [1, 2, 3, 4].map((at) => [what, at, was, is] as const),
  );

  it.each(EVERY)(
    'lets no conforms through between: %s, looked at behind change %i',
    async (...of) => {
      const [, at, was, is] = of;
      const held = await heldBack((s) => s.held.set('foreign', was));
      const { world, swept } = held;
      const [found] = await swept.open();
      swept.held.set('foreign', is);
      watched(held, at);
      await swept.sweep();
      const [renamed, ...more] = await swept.open();
      expect(more).toEqual([]);
      expect(renamed).not.toBe(found);
      expect((await world.told()).join()).not.toContain(' conforms');
      swept.held.delete('foreign');
      await swept.sweep();
      expect(await swept.open()).toEqual([]);
      expect((await world.told()).at(-1)).toMatch(/ conforms$/);
    },
  );
});

describe('a list that shows a double of what differed', () => {
  it('has the double open before the other finding ends', async () => {
    let id = '';
    const held = await heldBack((s) => {
      id = String([...s.held.values()][0]?.['ref']);
      s.show(id, { operator: 'op-9' });
    });
    const { world, swept } = held;
    swept.show(id, { operator: 'op-1' });
    swept.double(id);
    watched(held, 1);
    await swept.sweep();
    expect(await swept.open()).toEqual([`duplicate-at-destination held:lims:${id}`]);
    expect((await world.told()).join()).not.toContain(' conforms');
  });
});
