import { describe, expect, it } from 'vitest';
import { StatementWorld } from './statement-world.js';

/** Everything but the moment: two evaluations of the same facts differ in nothing else. */
function said(statement: object | null): object {
  return { ...statement, evaluatedAt: '', validUntil: '' };
}

async function rows(world: StatementWorld): Promise<number[]> {
  const tables = ['statement', 'stop', 'statement_pull', 'delivery', 'audit_entry'] as const;
  const counts: number[] = [];
  for (const table of tables) {
    counts.push((await world.database.db.selectFrom(table).selectAll().execute()).length);
  }
  return counts;
}

describe('the statement a page shows', () => {
  it('is what a question would be answered, and leaves no trace', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    const before = await rows(world);
    const shown = await world.statements.shown('R-1');
    expect(shown?.outcome).toBe('conforms');
    expect(await rows(world)).toEqual(before);
    expect(said(shown)).toEqual(said(await world.statements.fresh('R-1', 'erp')));
  });

  it('is up to date also where nobody is told of what is merely missing beside a contradiction', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    await world.measure({ container: 'D-01', decision: 'fail' });
    const stored = await world.statements.fresh('R-1', 'erp');
    const waiting = (statement: typeof stored | null) =>
      statement?.conditions.find((c) => c.code === 'deliveries-confirmed')?.state;
    expect(waiting(stored)).toBe('unmet');
    await world.setDeliveries('result', 'confirmed');
    const shown = await world.statements.shown('R-1');
    expect(shown?.outcome).toBe('does-not-conform');
    expect(shown?.revision).toBe(stored.revision);
    expect(waiting(shown)).toBe('met');
  });

  it('is none for a receipt nobody announced', async () => {
    const world = await StatementWorld.open();
    expect(await world.statements.shown('nobody')).toBeNull();
  });
});
