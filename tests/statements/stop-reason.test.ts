import { describe, expect, it } from 'vitest';
import { STOP_REASON_MAX } from '../../src/records/statement-record.js';
import { StatementWorld } from './statement-world.js';

/** Release-safety rule 22: a stop that no payload can carry would never leave, while what it stops stands. */

async function reasons(world: StatementWorld): Promise<string[]> {
  const rows = await world.database.db
    .selectFrom('stop')
    .select('reason')
    .orderBy('issued_at')
    .orderBy('statement_revision')
    .execute();
  return rows.map((r) => r.reason);
}

describe('the reason of a stop', () => {
  it('quotes what a scanner sent in characters that every payload holds', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    // A label of another receipt with FNC1 in it, then a fail at one of the own.
    await world.measure({ container: ']C1010952123454321321A9\u001d10B7' });
    await world.measure({ container: 'D-01', decision: 'fail' });
    const found = await reasons(world);
    expect(found.length).toBeGreaterThan(0);
    // biome-ignore lint/suspicious/noControlCharactersInRegex: none of them is to be left
    for (const reason of found) expect(reason).not.toMatch(/[\u0000-\u001f]/);
    expect(found.join()).toContain('A9␝10B7');
  });

  it('is no longer than a contract was asked to take, however long what was scanned is', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    await world.measure(
      ...Array.from({ length: 8 }, (_, n) => ({ container: `${n}${'x'.repeat(490)}` })),
    );
    const found = await reasons(world);
    expect(found.length).toBeGreaterThan(0);
    for (const reason of found) expect([...reason].length).toBeLessThanOrEqual(STOP_REASON_MAX);
    expect(found.some((reason) => reason.endsWith('…'))).toBe(true);
  });
});
