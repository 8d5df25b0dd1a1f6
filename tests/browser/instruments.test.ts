import { join } from 'node:path';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, it } from 'vitest';
import { describeWithChromium, launchChromium } from '../support/chromium.js';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { makePerson } from '../support/signed-in.js';

/** How an instrument performs, looked at in a browser. No page is wider than its window. */

const [FIRST] = EAST;
const receipt = receiptOf(1);

describeWithChromium('instruments in a browser', () => {
  let world: GatewayWorld;
  let browser: Browser;
  let page: Page;

  beforeAll(async () => {
    world = await GatewayWorld.open({ performanceChecks: true });
    await makePerson(world, 'ada', ['administrator']);
    await makePerson(world, 'robin', ['reviewer']);
    const dock = new Dock(world);
    await dock.announce(receipt);
    for (const error of [0, 0.4, 0.9]) dock.check(FIRST, error);
    for (const { label } of receipt.drums) dock.measure(FIRST, receipt, label);
    for (const error of [1.7, 2.2]) dock.check(FIRST, error);
    // Between a pass and the check that fails.
    dock.measure(FIRST, receipt, receipt.drums[0]?.label ?? '');
    dock.check(FIRST, 4);
    await dock.sync(FIRST);
    await world.quiet();
    browser = await launchChromium();
    page = await browser.newPage();
    await open('/sign-in?to=/');
    await page.fill('[name="user-name"]', 'robin');
    await page.fill('[name="password"]', PASSWORD);
    await page.getByRole('button', { name: 'Sign in', exact: true }).click();
    await page.waitForLoadState();
  }, 120_000);

  afterAll(async () => {
    await browser?.close();
    await world?.close();
  });

  const open = (path: string) => page.goto(new URL(path, world.url).href);
  const main = async () => (await page.locator('main').textContent()) ?? '';
  /** `SCREENSHOTS=folder` keeps a picture of each page at both widths. */
  const look = async (name: string) => {
    const folder = process.env['SCREENSHOTS'];
    for (const width of [390, 1280]) {
      await page.setViewportSize({ width, height: 1000 });
      const over = await page.evaluate(
        'document.documentElement.scrollWidth - document.documentElement.clientWidth',
      );
      const path = join(folder ?? '', `${name}-${width}.png`);
      if (folder) await page.screenshot({ path, fullPage: true });
      expect([name, width, over]).toEqual([name, width, 0]);
    }
  };

  it('are found by the navigation, and each has its page', async () => {
    await open('/');
    await page.getByRole('link', { name: 'Instruments', exact: true }).click();
    await page.waitForURL('**/instruments');
    await look('instruments');
    expect(await page.locator('tbody tr').count()).toBeGreaterThan(1);
    await page.getByRole('link', { name: FIRST, exact: true }).click();
    await page.waitForURL(`**/instruments/${FIRST}`);
    await look('instrument');
    const text = await main();
    for (const word of ['failed', 'out of tolerance', 'not signed', 'at the warning limit']) {
      expect(text).toContain(word);
    }
    // Eight bands of the site's tolerances, six checks each.
    expect(await page.getByRole('img').count()).toBe(8);
    expect(await page.locator('.trends path.point').count()).toBe(48);
    await page.locator('summary').first().click();
    expect(await page.locator('details[open] tbody tr').count()).toBe(6);
    await look('instrument-numbers');
  });

  it('are led to by the discrepancy of a failed check', async () => {
    await open('/discrepancies?class=performance-failed');
    await page.getByRole('link', { name: FIRST, exact: true }).first().click();
    await page.waitForURL(`**/instruments/${FIRST}`);
    expect(await main()).toContain('Performance checks');
  });

  it('have a page for each failed check, on which its cause is signed', async () => {
    await open(`/instruments/${FIRST}`);
    await page.getByRole('link', { name: 'what it leaves in doubt, and sign its cause' }).click();
    await page.waitForURL('**/performance-checks/*/cause');
    const before = await main();
    for (const word of ['What followed it', receipt.id, 'Nobody has signed', 'SHA-256']) {
      expect(before).toContain(word);
    }
    await look('performance-cause');
    const submit = async () => {
      await Promise.all([
        page.waitForEvent('framenavigated'),
        page.getByRole('button', { name: 'Sign', exact: true }).click(),
      ]);
      await page.waitForLoadState();
    };
    const fill = async (password: string) => {
      await page.getByLabel('Investigation number').fill('INV-26-031');
      await page.getByLabel('Cause', { exact: true }).fill('the standard stood askew (simulated)');
      await page.getByLabel('User name').fill('robin');
      await page.getByLabel('Password').fill(password);
      await submit();
    };
    await fill('not the password of robin');
    expect(await page.getByRole('alert').textContent()).toContain('do not belong together');
    expect(await main()).toContain('Nobody has signed');
    await look('performance-cause-refused');
    await fill(PASSWORD);
    expect(await page.getByRole('status').first().textContent()).toContain('Signed');
    const after = await main();
    for (const word of [
      'Person robin',
      'the standard stood askew (simulated)',
      'its cause is signed',
    ]) {
      expect(after).toContain(word);
    }
    expect(after).toContain('investigation INV-26-031');
    expect(await page.getByRole('button', { name: 'Sign', exact: true }).count()).toBe(0);
    await look('performance-cause-signed');
    await page.getByRole('link', { name: FIRST, exact: true }).click();
    await page.waitForURL(`**/instruments/${FIRST}`);
    expect(await main()).toContain('the standard stood askew (simulated)');
    expect(await main()).not.toContain('not signed');
    await look('instrument-signed');
  }, 60_000);

  it('whose check does not exist say so', async () => {
    expect((await open('/performance-checks/NOBODY/cause'))?.status()).toBe(404);
  });

  it('of an unknown serial say so', async () => {
    expect((await open('/instruments/NOBODY'))?.status()).toBe(404);
    expect(await main()).toContain('No such instrument');
  });
});
