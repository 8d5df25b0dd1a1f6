import { join } from 'node:path';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, it } from 'vitest';
import { describeWithChromium, launchChromium } from '../support/chromium.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { makePerson } from '../support/signed-in.js';

/** A receiver announces a receipt line on the pages, as a person does who has no ERP that morning. */
describeWithChromium('a receipt line announced by hand in a browser', () => {
  let world: GatewayWorld;
  let chromium: Browser;
  let page: Page;

  beforeAll(async () => {
    world = await GatewayWorld.open({});
    await makePerson(world, 'admin', ['administrator']);
    await makePerson(world, 'r.dock', ['receiver']);
    chromium = await launchChromium();
    page = await (await chromium.newContext({ viewport: { width: 1100, height: 900 } })).newPage();
  });

  afterAll(async () => {
    await chromium.close();
    await world.close();
  });

  /** For whoever works on the pages: `SCREENSHOTS=folder` keeps a picture of each. */
  async function keep(name: string): Promise<void> {
    const folder = process.env['SCREENSHOTS'];
    if (folder) await page.screenshot({ path: join(folder, `${name}.png`), fullPage: true });
  }

  it('is written, looked at, corrected, saved and cancelled', async () => {
    await page.goto(new URL('/sign-in', world.url).href);
    await page.fill('[name=user-name]', 'r.dock');
    await page.fill('[name=password]', PASSWORD);
    await page.click('main button');
    await page.click('text=Announce a receipt');
    await page.fill('#receiptId', 'NQ-88');
    await page.fill('#material', 'NQ-1001');
    await page.fill('#supplierLot', '0077');
    await page.fill('#receivedAt', '2026-07-06 08:15');
    await page.fill('#dockCount', '5');
    await page.fill('#containers', 'C-001..C-004\nC-OO4\nC-004');
    await page.fill('#reason', 'ERP is away (simulated)');
    await keep('announce-written');
    await page.click('text=Look at it before saving');
    expect(await page.textContent('[role=alert]')).toContain('stands 2 times');
    await keep('announce-refused');
    await page.fill('#containers', 'C-001..C-004\nC-OO4');
    await page.click('text=Look at it before saving');
    expect(await page.textContent('main')).toContain('Labels that look alike: C-004, C-OO4');
    expect(await page.textContent('main')).toContain('5 of 5 have to be identified');
    await keep('announce-look');
    await page.click('text=Back to writing');
    await page.fill('#containers', 'C-001..C-005');
    await page.click('text=Look at it before saving');
    await page.click('text=Save it as it stands above');
    expect(await page.textContent('#history')).toContain('by hand by Person r.dock');
    await keep('announce-receipt');
    await page.click('text=Change or cancel it by hand');
    expect(await page.inputValue('#containers')).toBe('C-001..C-005');
    await page.fill('#siteLot', 'NQL-7');
    await page.fill('#reason', 'site lot given');
    await page.click('text=Look at it before saving');
    expect(await page.textContent('main')).toContain('Site lot: nothing becomes NQL-7');
    await keep('announce-change');
    await page.click('text=Save it as it stands above');
    await page.click('text=Change or cancel it by hand');
    await page.fill('#cancel-reason', 'sent back');
    await page.click('text=Look at what cancelling does');
    await keep('announce-cancel');
    await page.click('text=Cancel the receipt');
    expect(await page.textContent('#history')).toContain('sent back');
    expect(await page.locator('text=Change or cancel it by hand').count()).toBe(0);
  });

  it('says what its containers come from, and is told at the field what is wrong with that', async () => {
    await page.goto(new URL('/announce', world.url).href);
    await page.fill('#receiptId', 'NQ-89');
    await page.fill('#material', 'NQ-1001');
    await page.fill('#containers', 'C-001');
    await page.fill('#comesFrom', 'NQ-88');
    await page.fill('#reason', 'brought back (simulated)');
    await page.click('text=Look at it before saving');
    expect(await page.textContent('[role=alert]')).toContain('How they come again');
    expect(await page.inputValue('#comesFrom')).toBe('NQ-88');
    await keep('announce-comes-from');
    await page.fill('#comesAs', 'returned');
    await page.click('text=Look at it before saving');
    expect(await page.textContent('main dl')).toContain('NQ-88');
    await page.click('text=Save it as it stands above');
    expect(await page.textContent('main')).toContain('NQ-88');
  });
});
