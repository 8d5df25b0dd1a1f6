import { describe, expect, it } from 'vitest';
import { time } from '../statements/conforming-facts.js';
import { StatementWorld } from '../statements/statement-world.js';
import { SweptWorld } from './swept-world.js';

describe('a message of nobody’s that names no receipt', () => {
  // The goods came at 08:00: the clock of a destination is not ours, and may have gone back however far.
  it.each([
    '2026-03-04T08:03:00Z',
    '2026-03-04T07:58:00Z',
    '2026-03-04T07:01:00Z',
    '1970-01-01T00:00:00Z',
  ])('counts against every receipt until it was found, also when it is dated %s', async (at) => {
    const world = await StatementWorld.open();
    const swept = SweptWorld.over(world);
    await world.conform();
    await swept.confirmAll();
    expect((await world.told()).at(-1)).toMatch(/ conforms$/);
    swept.held.set('foreign', { ref: 'other', no: 'L-77', kind: 'T', rev: 7, at });
    await swept.sweep();
    expect(await swept.open()).toEqual(['unknown-at-source holding:lims:L-77']);
    expect((await world.told()).at(-1)).toMatch(/ incomplete$/);
  });

  it('has those that wait judged anew once it is listed no more', async () => {
    const world = await StatementWorld.open();
    const swept = SweptWorld.over(world);
    await world.announce();
    const at = '2026-03-04T08:03:00Z';
    swept.held.set('foreign', { ref: 'other', no: 'L-77', kind: 'T', rev: 7, at });
    await swept.sweep();
    await world.measure({ container: 'D-01' }, { container: 'D-02' });
    await swept.confirmAll();
    await world.hear('NQ-R-0001', time('08:59'));
    await world.hear('NQ-R-0002', time('08:59'));
    await world.setDeliveries('result', 'confirmed');
    await swept.confirmAll();
    await world.statements.evaluateDue(10);
    expect((await world.told()).at(-1)).toMatch(/ incomplete$/);
    swept.held.delete('foreign');
    await swept.sweep();
    expect(await swept.open()).toEqual([]);
    await world.statements.evaluateDue(10);
    expect((await world.told()).at(-1)).toMatch(/ conforms$/);
  });
});
