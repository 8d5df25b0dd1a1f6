import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, describe, expect, it } from 'vitest';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { runDrumline } from '../support/drumline-process.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { makePerson } from '../support/signed-in.js';

/** `drumline performance` as processes beside a running gateway. */

const [FIRST] = EAST;
let world: GatewayWorld;

afterEach(async () => {
  await world?.close();
});

async function performance(...args: string[]) {
  const { dataDirectory } = world;
  const { ended, said } = runDrumline(['performance', ...args, '--data', dataDirectory]);
  return { exit: await ended, ...said };
}

describe('drumline performance', () => {
  it('shows the checks, then what a failed one leaves in doubt, and signs its cause', async () => {
    world = await GatewayWorld.open({ performanceChecks: true });
    const dock = new Dock(world);
    await makePerson(world, 'ada', ['administrator']);
    await makePerson(world, 'robin', ['reviewer']);
    const receipt = receiptOf(1);
    await dock.announce(receipt);
    dock.check(FIRST);
    for (const { label } of receipt.drums) dock.measure(FIRST, receipt, label);
    dock.check(FIRST, 4);
    await dock.sync(FIRST);
    const failed = await performance('show', FIRST);
    expect([failed.exit, failed.err]).toEqual([1, '']);
    expect(failed.out).toMatch(/reported fail, judged fail {2}\S+\n/);

    dock.check(FIRST);
    await dock.sync(FIRST);
    const shown = await performance('show', FIRST, '--json');
    expect(shown.exit).toBe(0);
    const { checks } = JSON.parse(shown.out) as { checks: { rowId: string; verdict: string }[] };
    expect(checks.map(({ verdict }) => verdict)).toEqual(['pass', 'fail', 'pass']);
    const rowId = checks[1]?.rowId ?? '';

    const cause = await performance('cause', rowId, '--json');
    const { sha256, cause: option } = JSON.parse(cause.out) as {
      sha256: string;
      cause: { possible: boolean };
    };
    expect([cause.exit, option.possible]).toEqual([0, true]);
    expect((await performance('cause', rowId)).out).toContain(sha256);

    const file = join(world.dataDirectory, 'password');
    writeFileSync(file, `${PASSWORD}\n`);
    const sign = (shownSha256: string) =>
      performance(
        ...['sign', rowId, '--shown', shownSha256, '--investigation', 'INV-26-031'],
        ...['--user', 'robin', '--reason', 'stood askew (simulated)', '--password-file', file],
      );
    expect((await sign('0'.repeat(64))).exit).toBe(1);
    const signed = await sign(sha256);
    expect([signed.exit, signed.err]).toEqual([0, '']);
    expect(signed.out).toContain('robin');
    expect((await performance('show', FIRST)).out).toContain('judged fail, cause signed');

    const unknown = await performance('show', 'NOBODY');
    expect(unknown.exit).toBe(1);
    expect(unknown.err).toContain('no instrument has this serial');
  }, 120_000);
});
