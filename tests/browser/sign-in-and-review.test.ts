import { join } from 'node:path';
import type { Browser, BrowserContext, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, it } from 'vitest';
import { addMs } from '../../src/formats/instant.js';
import { formatInZone } from '../../src/formats/time-zone.js';
import { describeWithChromium, launchChromium } from '../support/chromium.js';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { makePerson } from '../support/signed-in.js';

/** What a reviewer and a signer do in a browser, from the first sign-in to the sign-out, with the whole gateway. */

const OWN_PASSWORD = 'eleven kettles on a grey pier';
const [FIRST] = EAST;
const receipt = receiptOf(1);

describeWithChromium('a reviewer in a browser', () => {
  let world: GatewayWorld;
  let browser: Browser;
  let context: BrowserContext;
  let page: Page;

  beforeAll(async () => {
    world = await GatewayWorld.open();
    await makePerson(world, 'ada', ['administrator']);
    await makePerson(world, 'robin', ['reviewer', 'signer'], { mustChange: true });
    const dock = new Dock(world);
    await dock.announce(receipt);
    dock.measure(FIRST, receipt, 'D1-01');
    const at = addMs(world.clock.now(), -1_000_000);
    const measuredAt = formatInZone(at, 'Asia/Tokyo').replace(/\.\d+/, '');
    dock.measure(FIRST, receipt, 'D1-02', { at, says: { measuredAt } });
    for (const serial of EAST) await dock.sync(serial);
    await world.quiet();
    browser = await launchChromium();
    context = await browser.newContext({ viewport: { width: 1280, height: 1000 } });
    page = await context.newPage();
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
  /** For whoever works on the pages: `SCREENSHOTS=folder` keeps a picture of each. */
  const picture = async (name: string) => {
    const folder = process.env['SCREENSHOTS'];
    if (folder) await page.screenshot({ path: join(folder, `${name}.png`), fullPage: true });
  };
  const signIn = async (password: string) => {
    await page.fill('[name="user-name"]', 'robin');
    await page.fill('[name="password"]', password);
    await submit('Sign in');
  };

  it('chooses a password, clears a held result, reviews the trail and signs out; the old cookie opens nothing', async () => {
    await open('/sign-in?to=/review');
    await picture('sign-in');
    await signIn(PASSWORD);
    expect(path()).toBe('/account');
    await page.fill('[name="current"]', PASSWORD);
    await page.fill('[name="next"]', OWN_PASSWORD);
    await page.fill('[name="again"]', OWN_PASSWORD);
    await picture('first-password');
    await page.locator('form[action="/account/password"] button').click();
    await page.waitForLoadState();

    await open('/review');
    expect(path()).toBe('/review');
    await picture('review-list');
    await page.getByRole('table').getByRole('link').first().click();
    await page.waitForLoadState();
    const reviewed = path();
    await picture('review');
    await page.check('#act-clear');
    await page.fill('[name="reason"]', 'sync log 12 shows the zone (simulated)');
    await page.fill('[name="userName"]', 'robin');
    await page.fill('[name="password"]', 'not the password');
    await submit('Sign');
    expect(path()).toBe(reviewed);
    expect(await page.getByRole('alert').textContent()).toContain('do not belong together');
    // What was typed is still there, but for the password.
    expect(await page.isChecked('#act-clear')).toBe(true);
    expect(await page.inputValue('[name="password"]')).toBe('');
    await picture('review-not-signed');
    await page.fill('[name="password"]', OWN_PASSWORD);
    await submit('Sign');
    expect(await page.getByRole('status').first().textContent()).toContain('Signed');
    await picture('review-signed');

    await open(`/receipts/${receipt.id}`);
    const text = (await page.locator('main').textContent()) ?? '';
    expect(text).toMatch(/cleared\s+by\s+Person robin \(simulated\)/);
    expect(text).toContain('sync log 12 shows the zone (simulated)');
    await picture('receipt');

    await open('/trail');
    await picture('trail');
    await open('/trail/review');
    await picture('trail-review');
    await page.fill('[name="findings"]', 'nothing unexpected (simulated)');
    // The sitting goes on: the second signature takes the password only (21 CFR 11.200(a)(1)(i)).
    expect(await page.locator('[name="userName"]').count()).toBe(0);
    await page.fill('[name="password"]', OWN_PASSWORD);
    await submit('Sign');
    expect(await page.getByRole('status').first().textContent()).toContain('Signed');
    expect(await page.locator('#reviews').textContent()).toContain('nothing unexpected');
    await picture('trail-reviewed');

    const cookies = await context.cookies();
    expect(cookies).toMatchObject([{ name: '__Host-drumline', httpOnly: true, secure: true }]);
    await open('/account');
    await submit('Sign out');
    await context.addCookies(cookies);
    const replayed = await open('/review');
    await picture('signed-out');
    const shown = (await page.locator('body').textContent()) ?? '';
    expect([replayed?.status(), /signed out/.test(shown), shown.includes('D1-02')]).toEqual([
      401,
      true,
      false,
    ]);
    await context.clearCookies();
    await open('/sign-in');
    await page.fill('[name="user-name"]', 'ada');
    await page.fill('[name="password"]', PASSWORD);
    await submit('Sign in');
    await open('/people');
    await picture('people');
  }, 120_000);
});
