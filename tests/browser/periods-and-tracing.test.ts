import { join } from 'node:path';
import type { Browser, BrowserContext, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, it } from 'vitest';
import { sha256 } from '../../src/formats/canonical-json.js';
import { addMs, formatInstant } from '../../src/formats/instant.js';
import { describeWithChromium, launchChromium } from '../support/chromium.js';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { makePerson } from '../support/signed-in.js';

/**
 * What a reviewer and a signer do about a bad drum and at the end of the day, in a browser: the cause, the trace, the
 * stop, a held bundle, the close. No page is wider than its window, and every field can be reached by its label.
 */

const [FIRST, SECOND] = EAST;
const receipt = receiptOf(1);
const HOUR_MS = 3_600_000;
const WIDE = { width: 1280, height: 1000 };
const NARROW = { width: 390, height: 844 };

describeWithChromium('periods and tracing in a browser', () => {
  let world: GatewayWorld;
  let browser: Browser;
  let context: BrowserContext;
  let page: Page;
  let failed: string;
  let heldBundle: string;

  beforeAll(async () => {
    world = await GatewayWorld.open();
    await makePerson(world, 'ada', ['administrator']);
    await makePerson(world, 'robin', ['reviewer', 'signer']);
    const dock = new Dock(world);
    await dock.conform(receipt);
    failed = dock.measure(FIRST, receipt, 'D1-01', { holds: 'sulfur' });
    dock.measure(SECOND, receipt, 'D1-01');
    for (const serial of EAST) await dock.sync(serial);
    dock.measure(FIRST, receiptOf(9), 'D9-01');
    await dock.sync(FIRST);
    dock.measure(FIRST, receipt, 'D1-02');
    const { bytes } = dock.pack(FIRST);
    // One character of what the manifest says of a part.
    const text = Buffer.from(bytes).toString('utf8');
    const broken = Buffer.from(text.replace(/("sha256":\s*")[0-9a-f]{4}/g, '$10000'));
    heldBundle = (await world.take({ bytes: broken, sha256: sha256(broken) })).intakeId;
    await world.quiet();
    browser = await launchChromium();
    context = await browser.newContext({ viewport: WIDE });
    page = await context.newPage();
    await open('/sign-in?to=/');
    await page.fill('[name="user-name"]', 'robin');
    await page.fill('[name="password"]', PASSWORD);
    await submit('Sign in');
  }, 120_000);

  afterAll(async () => {
    await browser?.close();
    await world?.close();
  });

  const open = (path: string) => page.goto(new URL(path, world.url).href);
  const path = () => new URL(page.url()).pathname;
  const submit = async (button: string) => {
    await Promise.all([
      page.waitForEvent('framenavigated'),
      page.getByRole('button', { name: button, exact: true }).click(),
    ]);
    await page.waitForLoadState();
  };
  const main = async () => (await page.locator('main').textContent()) ?? '';
  /** What a page must be whatever it shows; `SCREENSHOTS=folder` keeps a picture of it at both widths. */
  const look = async (name: string) => {
    const folder = process.env['SCREENSHOTS'];
    for (const [size, viewport] of [
      ['narrow', NARROW],
      ['wide', WIDE],
    ] as const) {
      await page.setViewportSize(viewport);
      const over = await page.evaluate(
        'document.documentElement.scrollWidth - document.documentElement.clientWidth',
      );
      if (folder)
        await page.screenshot({ path: join(folder, `${name}-${size}.png`), fullPage: true });
      expect([name, size, over]).toEqual([name, size, 0]);
    }
    const unnamed = await page.evaluate(
      `[...document.querySelectorAll('main input:not([type=hidden]), main textarea')]
        .filter((field) => (field.labels?.length ?? 0) === 0).map((field) => field.name)`,
    );
    expect([name, unnamed]).toEqual([name, []]);
  };
  const sign = async (reason: string) => {
    await page
      .getByLabel(/^(?:Reason|Cause)$/)
      .first()
      .fill(reason);
    if ((await page.getByLabel('User name').count()) > 0) {
      await page.getByLabel('User name').first().fill('robin');
    }
    await page.getByLabel('Password').first().fill(PASSWORD);
    await submit('Sign');
  };

  it('goes from the receipt to the contrary result, signs its cause, and finds it by any of its names', async () => {
    await open(`/receipts/${receipt.id}`);
    expect(await main()).toContain('no cause is signed');
    await look('receipt');
    await page.locator('#contrary').getByRole('link').first().click();
    await page.waitForLoadState();
    expect(await main()).toContain('Every attempt on the container');
    await look('cause');
    await page.getByLabel('Investigation number').fill('INV-26-021');
    await sign('the wrong probe cap was on, log 7 (simulated)');
    expect(await page.getByRole('status').first().textContent()).toContain('Signed');
    expect(await main()).toContain('the wrong probe cap was on, log 7 (simulated)');
    await look('cause-signed');

    await open('/trace');
    expect(await page.evaluate('document.activeElement?.name')).toBe('term');
    await page.keyboard.type('D1-01');
    await Promise.all([page.waitForEvent('framenavigated'), page.keyboard.press('Enter')]);
    await page.waitForLoadState();
    const told = await main();
    expect(told).toContain(failed);
    expect(told).toContain('the wrong probe cap was on, log 7 (simulated)');
    await look('trace');
    await open('/trace?term=D9-01');
    expect(await main()).toContain('It belongs to no receipt');
    await look('trace-unowned');
    await open('/trace?term=nothing');
    expect(await page.getByRole('status').textContent()).toContain('Nothing here is named');
  }, 60_000);

  it('shows the stop and a held bundle with their forms', async () => {
    await open(`/receipts/${receipt.id}#stops`);
    expect(await page.locator('#stops').textContent()).toContain('In force');
    await look('stops');
    await open(`/review/bundles/${heldBundle}`);
    expect(await main()).toContain('held');
    await look('bundle');
  }, 60_000);

  it('closes a period on the page', async () => {
    await open('/periods');
    await look('periods');
    const now = world.clock.now();
    await page.getByLabel('From day or instant').fill(formatInstant(addMs(now, -2 * HOUR_MS)));
    await page.getByLabel('To day (included) or instant').fill(formatInstant(now));
    await submit('Show what closing it signs');
    expect(path()).toBe('/periods/close');
    await look('period-close');
    await sign('end of the shift (simulated)');
    expect(await page.getByRole('status').first().textContent()).toContain('Signed');
    expect(await main()).toContain('end of the shift (simulated)');
    await world.quiet();
    await page.reload();
    await look('period');
    const download = page.waitForEvent('download');
    await page.getByRole('link', { name: 'PDF' }).click();
    expect((await download).suggestedFilename()).toMatch(/^period-.*\.pdf$/);
  }, 60_000);
});
