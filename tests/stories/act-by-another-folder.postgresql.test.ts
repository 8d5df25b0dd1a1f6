import { copyFileSync, cpSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, describe, expect, it } from 'vitest';
import type { ShownDelivery } from '../../src/delivery/shown-delivery.js';
import type { Application } from '../../src/main.js';
import { openAnother } from '../support/another-process.js';
import { Dock, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { makePerson } from '../support/signed-in.js';
import { REFUSED_BY_LIMS } from '../support/site-edits.js';
import { NORTHQUAY } from '../support/site-folder-copy.js';
import { temporaryDirectory } from '../support/temp-database.js';

/** Gateways are started one after another. */
const LONG_MS = 90_000;

let world: GatewayWorld;
let other: Application | null = null;

afterEach(async () => {
  await other?.close();
  other = null;
  await world.close();
});

/** The folder of the running gateway with its mapping corrected. */
function corrected(): string {
  const siteFolder = join(temporaryDirectory(), 'site');
  cpSync(world.siteFolder, siteFolder, { recursive: true });
  for (const name of Object.keys(REFUSED_BY_LIMS)) {
    copyFileSync(join(NORTHQUAY, name), join(siteFolder, name));
  }
  return siteFolder;
}

async function refused(): Promise<ShownDelivery[]> {
  const { json } = await world.http({ path: '/api/v1/deliveries?destination=lims&fault=rejected' });
  return json['deliveries'] as ShownDelivery[];
}

describe('a person at a gateway that runs by another site folder than was activated last', () => {
  it.each(['rebuild', 'resend'] as const)(
    'has nothing done by it: %s, one or all',
    async (act) => {
      world = await GatewayWorld.open({ edits: REFUSED_BY_LIMS, erpPulls: false });
      const dock = new Dock(world);
      await makePerson(world, 'a.admin', ['administrator']);
      await makePerson(world, 'r.reviewer', ['reviewer']);
      const receipt = receiptOf(1);
      await dock.announce(receipt);
      await dock.measureAll(receipt);
      await world.until('both results are refused', async () => (await refused()).length === 2);
      const stopped = await refused();
      other = await openAnother(world, { siteFolder: corrected(), work: false });
      const answers = [
        [`${stopped[0]?.id}/${act}`, { version: stopped[0]?.version }],
        ['acts', { act, deliveries: stopped.map(({ id, version }) => ({ id, version })) }],
      ] as const;
      for (const [path, body] of answers) {
        const who = { userName: 'r.reviewer', password: PASSWORD };
        const answer = await world.http({
          path: `/api/v1/deliveries/${path}`,
          key: world.controlToken,
          headers: { 'content-type': 'application/json' },
          body: JSON.stringify({ ...body, ...who, reason: 'mapping corrected, CR-12' }),
        });
        expect(answer).toMatchObject({ status: 503, json: { code: 'site-folder-outdated' } });
      }
      const rows = await world.db
        .selectFrom('delivery')
        .select(['build', 'state'])
        .where('destination', '=', 'lims')
        .where('message', '=', 'result')
        .execute();
      expect(rows).toEqual(stopped.map(() => ({ build: 1, state: 'rejected' })));
      expect(await world.db.selectFrom('delivery_act').select('id').execute()).toEqual([]);
    },
    LONG_MS,
  );
});
