import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { GatewayWorld } from '../support/gateway-world.js';

let world: GatewayWorld;
beforeAll(async () => {
  const t = performance.now();
  world = await GatewayWorld.open();
  console.log('open', performance.now() - t);
});
afterAll(async () => { await world.close(); });

describe('x', () => {
  it('y', async () => {
    const a = await world.http({ path: '/api/v1/receipts/R-9/statement' });
    console.log(a);
    console.log(await world.http({ path: '/api/v1/bundles', key: null, body: '{}' }));
    console.log(await world.http({ path: '/api/v1/nothing', key: null}));
    console.log(await world.postBundle('{"a":', 'k'));
    console.log((await world.announce('receipt_id,material\nR-1,NQ-1001')).text);
    expect(1).toBe(1);
  });
});
