import { readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, it } from 'vitest';
import { addMs } from '../../src/formats/instant.js';
import { formatInZone } from '../../src/formats/time-zone.js';
import { describeWithChromium, launchChromium } from '../support/chromium.js';
import { Dock, drum, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { makePerson } from '../support/signed-in.js';
import { replacing } from '../support/site-edits.js';

/** Site decisions, inspections and a rejected container, signed in a browser with the whole gateway behind it. */

const PLANS = `attributePlans:
  - { material: "*", attribute: damage, level: II, aql: "6.5", decision: D-090, expires: "2030-12-31T23:59:59Z" }
  - { material: "*", attribute: labels, level: S-1, aql: "4.0", decision: D-090, expires: "2030-12-31T23:59:59Z" }
plans:
`;

const DECISIONS = `decisions:
  - id: D-090
    rule: attribute-plans
    decidedBy: Head of Quality, Northquay (simulated)
    date: "2026-01-12"
    reason: Labels and damage are looked for by a sample; identity is measured by its own plan.
    signed: false
  - id: D-091
    rule: sampling-plans
    decidedBy: Head of Quality, Northquay (simulated)
    date: "2026-01-12"
    reason: Kept for the record; the site names it nowhere.
    signed: false
`;

/** The containers of this one were typed on the instrument, not scanned. */
const typed = receiptOf(2);

const receipt = receiptOf(1, { drums: [1, 2, 3, 4, 5, 6].map((d) => drum(1, d)) });

describeWithChromium('signed acts in a browser', () => {
  let world: GatewayWorld;
  let browser: Browser;

  beforeAll(async () => {
    const edit = (text: string) =>
      replacing('plans:\n', PLANS)(replacing('decisions:\n', DECISIONS)(text));
    world = await GatewayWorld.open({ edits: { 'site.yaml': edit } });
    await makePerson(world, 'ada', ['administrator']);
    await makePerson(world, 'quinn', ['signer']);
    await makePerson(world, 'robin', ['reviewer']);
    await makePerson(world, 'olga', ['reviewer'], { operatorIds: ['OP-11'] });
    const dock = new Dock(world);
    await dock.announce(receipt);
    await dock.announce(typed);
    for (const { label } of typed.drums) {
      const says = { container: { scanned: label, entry: 'typed' } } as const;
      dock.measure(EAST[0], typed, label, { says });
    }
    await dock.measureAll(receipt);
    await world.quiet();
    browser = await launchChromium();
  }, 120_000);

  afterAll(async () => {
    await browser?.close();
    await world?.close();
  });

  const open = (page: Page, path: string) => page.goto(new URL(path, world.url).href);
  const shown = (page: Page, where: string) => page.locator(where).textContent();
  const alert = (page: Page) => page.getByRole('alert').first().textContent();
  const status = (page: Page) => page.getByRole('status').first().textContent();
  const fill = async (page: Page, fields: Readonly<Record<string, string>>) => {
    for (const [name, value] of Object.entries(fields)) await page.fill(`[name="${name}"]`, value);
  };
  const submit = async (page: Page, button: string) => {
    await Promise.all([
      page.waitForEvent('framenavigated'),
      page.getByRole('button', { name: button, exact: true }).click(),
    ]);
    await page.waitForLoadState();
  };
  /** For whoever works on the pages: `SCREENSHOTS=folder` keeps a picture of each, wide and narrow. */
  const picture = async (page: Page, name: string) => {
    const folder = process.env['SCREENSHOTS'];
    if (!folder) return;
    for (const width of [390, 1280]) {
      await page.setViewportSize({ width, height: 1000 });
      await page.screenshot({ path: join(folder, `${name}-${width}.png`), fullPage: true });
    }
  };
  const signIn = async (userName: string) => {
    const context = await browser.newContext({ viewport: { width: 1280, height: 1000 } });
    const page = await context.newPage();
    await open(page, '/sign-in');
    await fill(page, { 'user-name': userName, password: PASSWORD });
    await submit(page, 'Sign in');
    return page;
  };

  it('sign a decision, show that it is void once it reads differently, and where nothing rests on one', async () => {
    const quinn = await signIn('quinn');
    await open(quinn, '/decisions');
    await picture(quinn, 'decisions');
    const unsigned = await shown(quinn, '#unsigned');
    expect(unsigned).toContain('not signed');
    expect(unsigned).toContain('Asks less: not every container is identified.');
    expect(unsigned).toMatch(/D-091 sampling-plans, nothing rests on it/);
    await quinn.getByRole('link', { name: 'D-002' }).click();
    await quinn.waitForLoadState();
    expect(await shown(quinn, '#effects')).toMatch(
      /√N \+ 1 of N containers \(rounded up\) identifiednot every container is identified/,
    );
    await picture(quinn, 'decision');
    await fill(quinn, {
      reason: 'procedure in force (simulated)',
      userName: 'quinn',
      password: 'not the password',
    });
    await submit(quinn, 'Sign');
    expect(await alert(quinn)).toContain('do not belong together');
    expect(await quinn.inputValue('[name="reason"]')).toBe('procedure in force (simulated)');
    expect(await quinn.inputValue('[name="password"]')).toBe('');
    await fill(quinn, { password: PASSWORD });
    await submit(quinn, 'Sign');
    expect(await status(quinn)).toContain('Signed');
    expect(await shown(quinn, '#signature')).toContain('Person quinn (simulated)');
    expect(await quinn.locator('#sign').count()).toBe(0);

    const file = join(world.siteFolder, 'site.yaml');
    const text = readFileSync(file, 'utf8');
    writeFileSync(file, text.replace('plan: sqrt', 'plan: who-r'));
    await world.restart();
    await open(quinn, '/decisions');
    expect(await shown(quinn, '#void')).toMatch(/D-002.*signature void/s);
    await picture(quinn, 'decisions-void');
    await open(quinn, '/decisions/D-002');
    expect(await alert(quinn)).toMatch(/at \/plans\/\d\/plan.*counts nowhere/s);
    await picture(quinn, 'decision-void');
    const robin = await signIn('robin');
    await open(robin, '/decisions/D-002');
    expect(await robin.locator('#sign form').count()).toBe(0);
    expect(await shown(robin, '#sign')).toContain('Quality signers who are signed in');
  }, 120_000);

  it('enter what was counted at labels and for damage, with what is refused kept in the form', async () => {
    const robin = await signIn('robin');
    await open(robin, `/receipts/${receipt.id}`);
    expect(await shown(robin, '#inspections')).toContain('not inspected as asked');
    await picture(robin, 'receipt-to-inspect');
    await robin.locator('#inspections a', { hasText: 'enter a count' }).click();
    await robin.waitForLoadState();
    await picture(robin, 'inspections');
    const at = formatInZone(addMs(world.clock.now(), -60_000), world.site.timeZone).slice(0, 16);
    await robin.check('#attribute-damage');
    await fill(robin, {
      inspected: '7',
      nonconforming: '0',
      inspectedBy: 'A. Receiver (simulated)',
      inspectedAt: at,
      reason: 'count sheet 12 (simulated)',
      userName: 'robin',
      password: PASSWORD,
    });
    await submit(robin, 'Sign');
    expect(await alert(robin)).toContain('7 containers were inspected, the receipt lists 6');
    expect(await robin.isChecked('#attribute-damage')).toBe(true);
    expect(await robin.inputValue('[name="inspectedAt"]')).toBe(at);
    await picture(robin, 'inspections-refused');
    await fill(robin, { inspected: '6', password: PASSWORD });
    // The sitting began with the signature that was refused, or begins now.
    const user = robin.locator('[name="userName"]');
    if ((await user.count()) > 0) expect(await user.inputValue()).toBe('robin');
    await submit(robin, 'Sign');
    expect(await status(robin)).toContain('The count is entered');
    expect(await shown(robin, '#counted')).toMatch(/Damage\s*0 of 6.*count sheet 12/s);
    expect(await shown(robin, 'table >> nth=0')).toMatch(/Damage.*rejected from 1accepted/);
    await picture(robin, 'inspections-entered');
    const entries = await world.db.selectFrom('attribute_inspection').selectAll().execute();
    expect(entries).toMatchObject([
      { attribute: 'damage', inspected: 6, nonconforming: 0, reported_by: expect.any(String) },
    ]);
    expect(entries[0]?.inspected_text).toContain(at);
  }, 120_000);

  it('lift a count that was entered wrongly, by somebody else than who entered it, and never another', async () => {
    const robin = await signIn('robin');
    await open(robin, `/receipts/${receipt.id}/inspections`);
    // The one that was accepted rejects nothing, so there is nothing to lift.
    expect(await robin.getByRole('link', { name: 'It was entered wrongly' }).count()).toBe(0);
    const at = formatInZone(addMs(world.clock.now(), -60_000), world.site.timeZone).slice(0, 16);
    await robin.check('#attribute-labels');
    await fill(robin, {
      inspected: '6',
      nonconforming: '5',
      inspectedBy: 'A. Receiver (simulated)',
      inspectedAt: at,
      reason: 'count sheet 13 (simulated)',
      userName: 'robin',
      password: PASSWORD,
    });
    await submit(robin, 'Sign');
    expect(await status(robin)).toContain('The count is entered');
    const wrong = robin.locator('#counted tr', { hasText: '5 of 6' });
    await wrong.getByRole('link', { name: 'It was entered wrongly' }).click();
    await robin.waitForLoadState();
    // Who enters counts is no signer of stops.
    expect(await robin.locator('#lift form').count()).toBe(0);
    expect(await shown(robin, '#lift')).toContain('Quality signers who are signed in');
    const path = robin.url();

    const quinn = await signIn('quinn');
    await open(quinn, path);
    expect(await shown(quinn, '#count')).toMatch(/Labels\s*5 of 6.*count sheet 13/s);
    expect(await shown(quinn, '#lift')).toContain('the quality unit releases');
    await picture(quinn, 'inspection-lift');
    await fill(quinn, {
      investigation: 'INV-26-040',
      reason: 'sheet 13 says 0, read by two (simulated)',
      userName: 'quinn',
      password: 'not the password',
    });
    await submit(quinn, 'Sign');
    expect(await alert(quinn)).toContain('do not belong together');
    await picture(quinn, 'inspection-lift-refused');
    expect(await quinn.inputValue('[name="reason"]')).toBe(
      'sheet 13 says 0, read by two (simulated)',
    );
    expect(await quinn.inputValue('[name="investigation"]')).toBe('INV-26-040');
    expect(await quinn.inputValue('[name="password"]')).toBe('');
    expect(await world.db.selectFrom('inspection_lift').selectAll().execute()).toEqual([]);
    await fill(quinn, { password: PASSWORD });
    await submit(quinn, 'Sign');
    expect(await status(quinn)).toContain('The count is lifted');
    expect(await shown(quinn, '#lift')).toContain('Not open: it was lifted before');
    expect(await shown(quinn, '#count')).toMatch(
      /Lifted by Person quinn.*investigation INV-26-040/s,
    );
    await picture(quinn, 'inspection-lifted');
    await open(quinn, `/receipts/${receipt.id}/inspections`);
    expect(await quinn.getByRole('link', { name: 'It was entered wrongly' }).count()).toBe(0);
    expect(await shown(quinn, '#counted')).toContain('it counts for nothing');
    await picture(quinn, 'inspections-lifted');
    const first = await world.db.selectFrom('attribute_inspection').select('id').executeTakeFirst();
    await open(quinn, `/receipts/${receipt.id}/inspection-lift?inspection=${first?.id}`);
    expect(await shown(quinn, '#lift')).toContain('Not open: no plan rejects by it');
    expect(await quinn.locator('#lift form').count()).toBe(0);
  }, 120_000);

  it('compare typed labels from the receipt’s page, by what somebody else reads off the container', async () => {
    const [{ label } = drum(2, 1)] = typed.drums;
    const robin = await signIn('robin');
    await open(robin, `/receipts/${typed.id}`);
    const row = robin.locator('#labels tr', { hasText: label });
    expect(await row.textContent()).toMatch(/scannedtypedCompare them$/);
    await picture(robin, 'receipt-labels');
    await row.getByRole('link', { name: 'Compare them' }).click();
    await robin.waitForLoadState();
    const path = robin.url();
    await picture(robin, 'labels');
    await fill(robin, {
      seenReceipt: 'GR-0002',
      seenContainer: 'D2-99',
      reason: 'read off the drum in bay 4 (simulated)',
      userName: 'robin',
      password: PASSWORD,
    });
    await submit(robin, 'Sign');
    expect(await alert(robin)).toMatch(/shows "(GR-0002|D2-99)", the result/);
    expect(await robin.inputValue('[name="seenContainer"]')).toBe('D2-99');
    expect(await robin.inputValue('[name="reason"]')).toBe(
      'read off the drum in bay 4 (simulated)',
    );
    expect(await robin.inputValue('[name="password"]')).toBe('');
    await picture(robin, 'labels-refused');
    expect(await world.db.selectFrom('label_verification').selectAll().execute()).toEqual([]);

    const olga = await signIn('olga');
    await open(olga, path);
    const scanned = (await shown(olga, '#shown td >> nth=0')) ?? '';
    await fill(olga, {
      seenReceipt: scanned,
      seenContainer: label,
      reason: 'I typed it myself (simulated)',
      userName: 'olga',
      password: PASSWORD,
    });
    await submit(olga, 'Sign');
    expect(await alert(olga)).toContain('you measured it yourself');
    await fill(robin, { seenReceipt: scanned, seenContainer: label, password: PASSWORD });
    await submit(robin, 'Sign');
    expect(await status(robin)).toContain('The labels are compared');
    expect(await shown(robin, '#compared')).toMatch(/reviewed by Person robin.*bay 4/s);
    expect(await shown(robin, '#compare')).toContain('Not open: its labels were compared before');
    await picture(robin, 'labels-compared');
    await open(robin, `/receipts/${typed.id}`);
    expect(await row.textContent()).toContain('by Person robin (simulated)');
    const quinn = await signIn('quinn');
    await open(quinn, path);
    expect(await quinn.locator('#compare form').count()).toBe(0);
  }, 120_000);

  it('reject a container from the receipt’s page, after what that does is shown', async () => {
    const robin = await signIn('robin');
    await open(robin, `/receipts/${receipt.id}`);
    const row = robin.locator('#containers tr', { hasText: 'D1-02' });
    await row.getByRole('link', { name: 'Reject it' }).click();
    await robin.waitForLoadState();
    expect(await shown(robin, '#reject')).toContain(
      'the receipt does not conform until ERP says by its key that the container is split off',
    );
    expect(await shown(robin, '#measured')).toContain('pass');
    await picture(robin, 'rejection');
    await fill(robin, {
      investigation: 'INV-26-030',
      reason: 'torn open, photo 4 (simulated)',
      userName: 'robin',
      password: PASSWORD,
    });
    await submit(robin, 'Sign');
    expect(await status(robin)).toContain('The container is rejected');
    expect(await shown(robin, '#reject')).toContain('Not open: it is rejected');
    expect(await shown(robin, '#signatures')).toContain('ERP has not said yet');
    await picture(robin, 'rejected');
    await open(robin, `/receipts/${receipt.id}`);
    expect(await shown(robin, '#statement')).toContain('does not conform');
    expect(await row.textContent()).toMatch(/covered\s*rejected, not split off/);
    expect(await row.getByRole('link', { name: 'Reject it' }).count()).toBe(0);
    await picture(robin, 'receipt-rejected');
    const quinn = await signIn('quinn');
    await open(quinn, `/receipts/${receipt.id}`);
    expect(await quinn.getByRole('link', { name: 'Reject it' }).count()).toBe(0);
  }, 120_000);

  it('answer for what a receipt came of, once what speaks against that is shown', async () => {
    const again = `${receipt.id}-again`;
    const announced = await world.http({
      method: 'PUT',
      path: `/api/v1/receipts/${again}`,
      headers: { 'content-type': 'application/json' },
      body: JSON.stringify({
        material: receipt.material,
        supplierLot: receipt.supplierLot,
        scanText: 'NQ1/1 again',
        area: receipt.area,
        receivedAt: formatInZone(world.clock.now(), 'UTC'),
        dockCount: 2,
        containers: ['P-1', 'P-2'],
        comesFrom: { receiptId: receipt.id, as: 'repacked' },
      }),
    });
    expect(announced.text).toContain('"outcome":"new"');
    const robin = await signIn('robin');
    await open(robin, `/receipts/${again}`);
    expect(await shown(robin, '#statement')).toContain('no signed act answers for it');
    await picture(robin, 'receipt-that-came-of-another');
    await robin.locator('#origin a').click();
    await robin.waitForLoadState();
    expect(await shown(robin, '#origins')).toMatch(/repacked.*does not conform.*D1-02.*none/s);
    await picture(robin, 'origin');
    await fill(robin, {
      reason: 'sealed bags of the other drums, photo 7 (simulated)',
      userName: 'robin',
      password: 'not the password',
    });
    await submit(robin, 'Sign');
    expect(await alert(robin)).toContain('do not belong together');
    expect(await robin.inputValue('[name="reason"]')).toContain('photo 7');
    const olga = await signIn('olga');
    await open(olga, `/receipts/${again}/origin`);
    await fill(olga, {
      reason: 'I measured them (simulated)',
      userName: 'olga',
      password: PASSWORD,
    });
    await submit(olga, 'Sign');
    expect(await alert(olga)).toContain('you measured it yourself');
    await fill(robin, { password: PASSWORD });
    await submit(robin, 'Sign');
    expect(await status(robin)).toContain('What it came from is answered for');
    expect(await shown(robin, '#origins')).toContain('answers for it');
    expect(await shown(robin, '#signatures')).toMatch(/Person robin.*photo 7/s);
    expect(await shown(robin, '#sign')).toContain('nothing it came from waits for a signed act');
    await picture(robin, 'origin-signed');
    await world.quiet();
    await open(robin, `/receipts/${again}`);
    expect(await shown(robin, '#statement')).not.toContain('no signed act answers for it');
    const quinn = await signIn('quinn');
    await open(quinn, `/receipts/${receipt.id}/origin`);
    expect(await shown(quinn, '#origins')).toContain('They came from no other receipt.');
  }, 120_000);
});
