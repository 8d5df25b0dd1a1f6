import { afterEach, expect, it } from 'vitest';
import { assembleBundle } from '../../src/checks/assemble-bundle.js';
import { goodParts, goodResult } from '../checks/fixture.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { onServer } from '../support/postgres-server.js';
import { until } from '../support/until.js';

/** The database goes away under a gateway that takes bundles in, and comes back. */

let world: GatewayWorld | null = null;
let database = '';

async function letIn(isLetIn: boolean): Promise<void> {
  await onServer(`alter database ${database} with allow_connections ${isLetIn}`);
  if (isLetIn) return;
  await onServer(
    `select pg_terminate_backend(pid) from pg_stat_activity where datname = '${database}'`,
  );
}

afterEach(async () => {
  if (database !== '') await letIn(true);
  await world?.close();
});

function bundle(n: number): Buffer {
  return Buffer.from(assembleBundle({ ...goodParts([goodResult(n)]), bundleId: `B-${n}` }).bytes);
}

it('answers 503 with Retry-After meanwhile, and has everything it answered 202 for afterwards', async () => {
  world = await GatewayWorld.open({ work: false });
  const { db } = world;
  const open = world;
  database = open.databaseName();
  const post = (n: number) => open.postBundle(bundle(n), `bundle-${n}`);
  const taken = [await post(1), await post(2)];
  expect(taken.map(({ status }) => status)).toEqual([202, 202]);

  // Cut off while many are on their way: each is answered one way or the other.
  const onTheWay = Array.from({ length: 20 }, (_, i) => post(i + 3));
  await letIn(false);
  const answers = await Promise.all(onTheWay);
  expect([...new Set(answers.map(({ status }) => status))].filter((s) => s !== 202)).toEqual([503]);
  const away = await post(99);
  expect(away.status).toBe(503);
  expect(Number(away.headers['retry-after'])).toBeGreaterThan(0);

  await letIn(true);
  await until('it takes bundles again', async () => (await post(99)).status === 202);
  const promised = [...taken, ...answers].filter(({ status }) => status === 202);
  const rows = await db.selectFrom('bundle').select('id').execute();
  expect(rows.map(({ id }) => id)).toEqual(
    expect.arrayContaining(promised.map(({ json }) => String(json['intakeId']))),
  );
  // Sent again, as a sender does that was told to: one row each, whatever became of the first try.
  for (let n = 3; n < 23; n += 1) expect((await post(n)).status).toBe(202);
  const ids = await db.selectFrom('bundle').select('bundle_id').execute();
  expect(ids).toHaveLength(23);
  expect(new Set(ids.map((row) => row.bundle_id)).size).toBe(23);
});
