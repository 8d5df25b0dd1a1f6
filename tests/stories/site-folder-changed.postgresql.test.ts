import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import type { Application } from '../../src/main.js';
import { openAnother } from '../support/another-process.js';
import { Dock, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { tightened } from '../support/tightened-folder.js';

/** Processes of one database that are started anew with another site folder, one after the other. */

/** Gateways are started one after another, and a round is waited for. */
const LONG_MS = 60_000;

let world: GatewayWorld;
let dock: Dock;
let other: Application | null = null;

beforeEach(async () => {
  world = await GatewayWorld.open({ erpPulls: false });
  dock = new Dock(world);
});

afterEach(async () => {
  await other?.close();
  other = null;
  await world.close();
});

const due = (id: string) =>
  world.db
    .selectFrom('receipt')
    .select('evaluation_due')
    .where('id', '=', id)
    .executeTakeFirstOrThrow();

describe('a gateway that runs by another site folder than was activated last', () => {
  it(
    'answers no statement, and leaves the receipts to those who run by it',
    async () => {
      const receipt = receiptOf(1);
      await dock.conform(receipt);
      const path = `/api/v1/receipts/${receipt.id}/statement`;
      other = await openAnother(world, { siteFolder: tightened(world.siteFolder), work: false });
      const answer = await world.http({ path });
      expect(answer).toMatchObject({ status: 503, json: { code: 'site-folder-outdated' } });
      expect(answer.headers['retry-after']).toBeDefined();
      // A round of every bell of the old one.
      await new Promise((resolve) => setTimeout(resolve, 3_000));
      expect(await due(receipt.id)).toEqual({ evaluation_due: 1 });
      expect(await world.http({ path: '/health/ready' })).toMatchObject({
        status: 503,
        json: { detail: expect.stringContaining('another site folder') as string },
      });
      await other.close();
      other = await openAnother(world, { siteFolder: tightened(world.siteFolder), work: true });
      await world.until('it is stopped', async () => {
        const stops = await world.db.selectFrom('stop').select('receipt_id').execute();
        return stops.some((stop) => stop.receipt_id === receipt.id);
      });
    },
    LONG_MS,
  );

  it(
    'settles no bundle by it',
    async () => {
      const receipt = receiptOf(2);
      await dock.announce(receipt);
      other = await openAnother(world, { siteFolder: tightened(world.siteFolder), work: false });
      const { bytes, sha256 } = dock.pack('NQ-R-0001');
      const { status, json } = await world.postBundle(bytes, sha256);
      expect(status).toBe(202);
      await new Promise((resolve) => setTimeout(resolve, 3_000));
      const bundle = await world.db
        .selectFrom('bundle')
        .select('state')
        .where('id', '=', String(json['intakeId']))
        .executeTakeFirstOrThrow();
      expect(bundle.state).toBe('received');
    },
    LONG_MS,
  );
});
