import { join } from 'node:path';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, it } from 'vitest';
import { describeWithChromium, launchChromium } from '../support/chromium.js';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { makePerson } from '../support/signed-in.js';

/** How two people give a result the receipt it is of, in their browsers (rule 25). */

const [FIRST] = EAST;
const [typed, meant] = [receiptOf(1), receiptOf(2)];

describeWithChromium('two people in their browsers', () => {
  let world: GatewayWorld;
  let browser: Browser;

  beforeAll(async () => {
    world = await GatewayWorld.open();
    await makePerson(world, 'ada', ['administrator']);
    for (const name of ['robin', 'sam']) await makePerson(world, name, ['reviewer']);
    const dock = new Dock(world);
    await dock.announce(typed, meant);
    dock.measure(FIRST, typed, 'D1-01', { holds: 'naphthalene' });
    await dock.sync(FIRST);
    await world.quiet();
    browser = await launchChromium();
  }, 120_000);

  afterAll(async () => {
    await browser?.close();
    await world?.close();
  });

  const picture = async (page: Page, name: string) => {
    const folder = process.env['SCREENSHOTS'];
    if (folder) await page.screenshot({ path: join(folder, `${name}.png`), fullPage: true });
  };
  const submit = async (page: Page, button: string) => {
    await Promise.all([
      page.waitForEvent('framenavigated'),
      page.getByRole('button', { name: button, exact: true }).click(),
    ]);
    await page.waitForLoadState();
  };
  const signIn = async (userName: string) => {
    const context = await browser.newContext({ viewport: { width: 1280, height: 1000 } });
    const page = await context.newPage();
    await page.goto(new URL('/sign-in', world.url).href);
    await page.fill('[name="user-name"]', userName);
    await page.fill('[name="password"]', PASSWORD);
    await submit(page, 'Sign in');
    return page;
  };

  it('propose from the receipt’s page with what the labels show, and sign', async () => {
    const robin = await signIn('robin');
    await robin.goto(new URL(`/receipts/${typed.id}`, world.url).href);
    await picture(robin, 'receipt-of-the-scan');
    await robin.locator('#deliveries a[href^="/attributions/"]').first().click();
    await robin.waitForLoadState();
    expect(await robin.locator('main').textContent()).toContain('So says the scan.');
    await picture(robin, 'place');
    const labels = { receiptId: meant.id, seenReceipt: meant.scanText, seenContainer: 'D2-01' };
    for (const [name, value] of Object.entries(labels)) await robin.fill(`[name="${name}"]`, value);
    await robin.fill('[name="seenBy"]', 'Lena (simulated)');
    await robin.fill('[name="reason"]', 'dock log 14 (simulated)');
    await submit(robin, 'Propose');
    expect(await robin.getByRole('alert').textContent()).toContain('which lot the label shows');
    await robin.fill('[name="seenLot"]', meant.siteLot);
    await submit(robin, 'Propose');
    expect(await robin.getByRole('status').first().textContent()).toContain('Proposed');
    await picture(robin, 'proposed');
    await robin.goto(new URL(`/receipts/${meant.id}`, world.url).href);
    expect(await robin.locator('main').textContent()).toContain('nobody signed yet');
    await picture(robin, 'receipt-doubted');

    const sam = await signIn('sam');
    await sam.goto(new URL('/attributions', world.url).href);
    await picture(sam, 'attributions');
    await sam.getByRole('link', { name: 'waits for a second person' }).click();
    await sam.waitForLoadState();
    await sam.check('#act-attribute');
    await sam.fill('[name="reason"]', 'compared with the photo of the label (simulated)');
    await sam.fill('[name="userName"]', 'sam');
    await sam.fill('[name="password"]', PASSWORD);
    await submit(sam, 'Sign');
    expect(await sam.getByRole('status').first().textContent()).toContain('Signed');
    await picture(sam, 'attribution-signed');
    await sam.goto(new URL(`/receipts/${meant.id}`, world.url).href);
    expect(await sam.locator('#statement').textContent()).toContain('on container D2-01');
    await picture(sam, 'receipt-it-belongs-to');
  }, 120_000);
});
