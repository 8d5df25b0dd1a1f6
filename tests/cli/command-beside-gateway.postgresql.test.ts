import { existsSync } from 'node:fs';
import { join } from 'node:path';
import { sql } from 'kysely';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { runDrumline } from '../support/drumline-process.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { urlOf } from '../support/postgres-server.js';
import { describeWithPostgresTools } from '../support/postgres-tools.js';
import { temporaryDirectory } from '../support/temp-database.js';
import { tightened } from '../support/tightened-folder.js';

/** A command of another computer: it reaches the database of a running gateway, and not the gateway. */

const LONG_MS = 120_000;
const LIST = ['destination', 'list'];
const NO_REDIS = 'redis://127.0.0.1:1';

let world: GatewayWorld;

beforeEach(async () => {
  world = await GatewayWorld.open();
});

afterEach(async () => {
  await world.close();
});

async function run(args: readonly string[], siteFolder: string) {
  const data = join(temporaryDirectory(), 'data');
  const { ended, said } = runDrumline([...args, '--data', data, '--site-folder', siteFolder], {
    env: { DATABASE_URL: urlOf(world.databaseName()), REDIS_URL: NO_REDIS },
  });
  return { status: await ended, ...said };
}

const folders = () => world.db.selectFrom('site').selectAll().execute();
const mappings = () =>
  world.db.selectFrom('mapping_revision').selectAll().orderBy('digest').execute();

async function readiness(): Promise<number> {
  // Longer than a heartbeat, before which it would have looked.
  await new Promise((resolve) => setTimeout(resolve, 3_000));
  return (await world.http({ path: '/health/ready', key: null })).status;
}

describe('a command beside a running gateway', () => {
  it(
    'only reads, by the folder in force',
    async () => {
      const before = [await folders(), await mappings()];
      const { status, err } = await run(LIST, world.siteFolder);
      expect([status, err]).toEqual([0, '']);
      expect([await folders(), await mappings()]).toEqual(before);
    },
    LONG_MS,
  );

  it(
    'is refused by another folder than the one in force, which stops nobody',
    async () => {
      const before = [await folders(), await mappings()];
      const { status, out, err } = await run(LIST, tightened(world.siteFolder));
      expect([status, out]).toEqual([2, '']);
      expect(err).toContain('site-folder-outdated');
      expect([await folders(), await mappings()]).toEqual(before);
      expect(await readiness()).toBe(200);
    },
    LONG_MS,
  );

  it(
    'of a later version migrates nothing that the gateway works on',
    async () => {
      const applied = async () => {
        const rows = await sql<{ name: string; timestamp: string }>`
          select name, timestamp from kysely_migration order by name`.execute(world.db);
        return rows.rows;
      };
      const before = await applied();
      const last = before.at(-1);
      if (last === undefined) throw new Error('there are migrations');
      await world.write((db) =>
        sql`delete from kysely_migration where name = ${last.name}`.execute(db),
      );
      try {
        const refused = await run(LIST, world.siteFolder);
        expect(refused.status).toBe(2);
        expect(refused.err).toContain('database-older');
        expect(refused.err).toContain(last.name);
        expect(await applied()).toEqual(before.slice(0, -1));
      } finally {
        const { name, timestamp } = last;
        await world.write((db) =>
          sql`insert into kysely_migration (name, timestamp) values (${name}, ${timestamp})`.execute(
            db,
          ),
        );
      }
    },
    LONG_MS,
  );
});

describeWithPostgresTools('a backup beside a running gateway', () => {
  it(
    'is complete, and says that the trail does not name it, where its folder is not in force',
    async () => {
      const out = join(temporaryDirectory(), 'b.dump');
      const { status, err } = await run(['backup', '--out', out], tightened(world.siteFolder));
      expect(status).toBe(2);
      expect(err).toMatch(/b\.dump is complete[\s\S]*site-folder-outdated/);
      expect([existsSync(out), existsSync(`${out}.manifest.json`)]).toEqual([true, true]);
    },
    LONG_MS,
  );
});
