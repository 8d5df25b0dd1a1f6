import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { explainRule } from '../../src/checks/explain.js';
import { listRules } from '../../src/checks/rule-list.js';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { links, text } from './html.js';

let world: GatewayWorld;

beforeAll(async () => {
  world = await GatewayWorld.open({ erpPulls: false });
});

afterAll(async () => {
  await world.close();
});

const page = (path: string) => world.http({ path, key: world.controlToken });

describe('the pages of the checks', () => {
  it('list every check and lead to what it means, its limit and what to do', async () => {
    const list = await page('/checks');
    expect(list.status).toBe(200);
    for (const { code } of listRules()) expect(links(list.text)).toContain(`/checks/${code}`);
    const one = text((await page('/checks/signal-to-noise')).text);
    const explanation = explainRule('signal-to-noise');
    for (const words of [explanation?.meaning, explanation?.advice, explanation?.limit]) {
      expect(one).toContain(words);
    }
    expect(one).toContain('holds the result');
  });

  it('lead from what is found of a performance check to the instruments', async () => {
    const main = async (code: string) =>
      (await page(`/checks/${code}`)).text.split('<main')[1] ?? '';
    expect(links(await main('performance-check-failed'))).toContain('/instruments');
    expect(links(await main('signal-to-noise'))).not.toContain('/instruments');
  });

  it('know nothing of a code that no check has', async () => {
    expect((await page('/checks/no-such-check')).status).toBe(404);
    expect((await page('/checks/%2e%2e%2f<b>')).status).toBe(404);
  });

  it('are linked from the finding that holds a result, with its limit and the source', async () => {
    const dock = new Dock(world);
    const receipt = receiptOf(5);
    await dock.announce(receipt);
    const says = {
      presentation: { kind: 'through-packaging' as const, between: 'amber glass (simulated)' },
    };
    const resultId = dock.measure(EAST[0], receipt, 'D5-01', { says });
    await dock.sync(EAST[0]);
    const row = await world.db
      .selectFrom('result')
      .select(['id', 'bundle_row_id'])
      .where('result_id', '=', resultId)
      .executeTakeFirstOrThrow();
    const review = await page(`/review/${row.id}`);
    expect(links(review.text)).toContain('/checks/packaging-not-validated');
    expect(text(review.text)).toContain(
      'Limit polyethylene liner (simulated) , from: invented for the scenario',
    );
    const shown = await page(`/api/v1/bundles/${row.bundle_row_id}`);
    expect(shown.json.findings).toMatchObject([
      {
        code: 'packaging-not-validated',
        limit: { value: 'polyethylene liner (simulated)', source: 'invented for the scenario' },
      },
    ]);
  });
});
