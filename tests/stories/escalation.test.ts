import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import type { StopLiftView } from '../../src/statements/stop-lift-view.js';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { MailStandIn } from '../support/mail-stand-in.js';

/** Rule 22 with the whole gateway: a stop that the ERP does not show reaches a person by mail. */

// Two mails are a second apart; a busy machine takes its time over the rest.
vi.setConfig({ testTimeout: 60_000 });

const [FIRST] = EAST;
const receipt = receiptOf(1);
const PASSWORD = 'mail secret of the tests';

let mail: MailStandIn;
let world: GatewayWorld;
let dock: Dock;

async function open(afterMs: number): Promise<void> {
  process.env['NORTHQUAY_MAIL_PASSWORD'] = PASSWORD;
  world = await GatewayWorld.open({
    edits: {
      'site.yaml': (text) => `${text}
escalation:
  afterMs: ${afterMs}
  repeatMs: 1000
  person: Duty quality officer (simulated)
  email:
    host: 127.0.0.1
    port: ${mail.port}
    tls: none
    from: drumline@northquay.example
    to: [duty.quality@northquay.example]
    user: drumline
    password: env:NORTHQUAY_MAIL_PASSWORD
`,
    },
  });
  dock = new Dock(world);
}

beforeEach(async () => {
  mail = await MailStandIn.open();
});

afterEach(async () => {
  await world.close();
  await mail.close();
});

/** The LIMS as the second channel, by itself or beside the mail. */
async function openWithLims(afterMs: number, more = ''): Promise<void> {
  world = await GatewayWorld.open({
    edits: {
      'site.yaml': (text) => `${text}
escalation:
  afterMs: ${afterMs}
  repeatMs: 1000
  person: Duty quality officer (simulated)
  destination: lims
${more}`,
    },
  });
  dock = new Dock(world);
}

/** What the books of the LIMS say it was told of stops. */
function toldToLims(): Record<string, unknown>[] {
  return world.lims.ledger.books.messages
    .map((m) => JSON.parse(m.content) as Record<string, unknown>)
    .filter((content) => content['messageType'] === 'stop-escalation');
}

async function stops(): Promise<StopLiftView> {
  const path = `/api/v1/receipts/${receipt.id}/stops`;
  return (await world.http({ path })).json as unknown as StopLiftView;
}

async function failADrum(): Promise<void> {
  dock.measure(FIRST, receipt, 'D1-01', { at: world.clock.now(), holds: 'sulfur' });
  await dock.sync(FIRST);
}

describe('a stop that its destination does not show', () => {
  it('is mailed to the named person in time and again, and each try stands with the stop', async () => {
    await open(1000);
    await dock.conform(receipt);
    await world.erp.close();
    await failADrum();
    await world.until('two mails came', () => mail.mails.length >= 2);
    const [first] = mail.mails;
    expect(first?.to).toEqual(['RCPT TO:<duty.quality@northquay.example>']);
    expect(first?.text).toContain('SIMULATED');
    expect(first?.text).toContain(receipt.id);
    expect(mail.logins[0]).toContain(PASSWORD);
    const { stops: shown } = await stops();
    const stop = shown.at(-1);
    expect(stop?.effectiveAt).toBeNull();
    expect(stop?.escalations.slice(0, 1)).toMatchObject([
      { number: 1, channel: 'email', person: 'Duty quality officer (simulated)', outcome: 'sent' },
    ]);
    expect(stop?.told).toMatchObject([{ destination: 'erp', acceptedAt: null }]);
    const rows = await world.db.selectFrom('stop_escalation').selectAll().execute();
    const trail = await world.db.selectFrom('audit_entry').selectAll().execute();
    expect(trail.map((e) => e.action)).toContain('stop.escalated');
    expect(JSON.stringify([rows, trail, mail.mails])).not.toContain(PASSWORD);
    const page = await world.http({ path: `/receipts/${receipt.id}` });
    expect(page.text).toContain('Second channel');
  });

  it('is mailed at once when the destination is paused, and a mail that failed is named', async () => {
    await open(3_600_000);
    await dock.conform(receipt);
    mail.isRefusing = true;
    await world.erp.close();
    await world.write((db) =>
      db.updateTable('destination').set({ paused: 1 }).where('name', '=', 'erp').execute(),
    );
    await failADrum();
    await world.until('a try failed', async () =>
      (await stops()).stops.some((s) => s.escalations.some((e) => e.outcome === 'failed')),
    );
    const failed = (await stops()).stops.at(-1)?.escalations[0];
    expect(failed?.why).toContain('erp is paused');
    expect(failed?.detail).toContain('451');
    expect(mail.mails).toEqual([]);
    mail.isRefusing = false;
    await world.until('the next try was taken', () => mail.mails.length > 0);
  });

  it('is mailed to nobody when it is effective in time', async () => {
    await open(3000);
    await dock.conform(receipt);
    await failADrum();
    await world.until('the stop is effective', async () =>
      (await stops()).stops.every((s) => s.effectiveAt !== null),
    );
    await world.quiet();
    expect(await world.db.selectFrom('stop_escalation').selectAll().execute()).toEqual([]);
    expect(mail.mails).toEqual([]);
  });
});

describe('a stop that its destination does not show, with another destination as the second channel', () => {
  it('is told there, counts as told once it is shown there, is told again, and ends with the stop', async () => {
    await openWithLims(1000);
    await dock.conform(receipt);
    await world.erp.close();
    await failADrum();
    await world.until('the LIMS was told twice', () => toldToLims().length >= 2);
    const [first, second] = toldToLims();
    expect(first).toMatchObject({
      receipt: receipt.id,
      kind: 'WITHDRAWN',
      number: 1,
      person: 'Duty quality officer (simulated)',
    });
    expect(String(first?.['note'])).toContain('not shown by erp');
    expect(second).toMatchObject({ number: 2, stopId: first?.['stopId'] });
    await world.until('the first counts as told', async () =>
      (await stops()).stops.some((s) => s.escalations[0]?.outcome === 'told'),
    );
    const [told] = (await stops()).stops.at(-1)?.escalations ?? [];
    expect(told).toMatchObject({ channel: 'destination', recipient: 'lims', number: 1 });
    expect(told?.confirmedAt).not.toBeNull();
    const page = await world.http({ path: `/receipts/${receipt.id}` });
    expect(page.text).toMatch(/Second channel, 1: destination to [\s\S]*<strong>told<\/strong>/);
    // It is no fact of the receipt: the statement says what it said.
    expect((await world.statement(receipt.id)).outcome).toBe('does-not-conform');
    const trail = await world.db.selectFrom('audit_entry').selectAll().execute();
    expect(trail.map((e) => e.action)).toContain('stop.escalated');
  });

  it('names every try as failed while that one is paused itself', async () => {
    await openWithLims(3_600_000);
    await dock.conform(receipt);
    await world.write((db) =>
      db
        .updateTable('destination')
        .set({ paused: 1 })
        .where('name', 'in', ['erp', 'lims'])
        .execute(),
    );
    await failADrum();
    // A stop passes the pause of the ERP; what is told at once before it is effective finds the LIMS paused.
    await world.until('the stop is effective', async () =>
      (await stops()).stops.every((s) => s.effectiveAt !== null),
    );
    const tries = (await stops()).stops.flatMap((s) => s.escalations);
    for (const { outcome, detail } of tries) {
      expect(outcome).toBe('failed');
      expect(detail).toContain('lims is paused itself');
    }
    expect(toldToLims()).toEqual([]);
  });

  it('is told over both channels where the site names both', async () => {
    process.env['NORTHQUAY_MAIL_PASSWORD'] = PASSWORD;
    await openWithLims(
      1000,
      `  email:
    host: 127.0.0.1
    port: ${mail.port}
    tls: none
    from: drumline@northquay.example
    to: [duty.quality@northquay.example]
`,
    );
    await dock.conform(receipt);
    await world.erp.close();
    await failADrum();
    await world.until('both were told', () => toldToLims().length > 0 && mail.mails.length > 0);
    const [one, two] = (await stops()).stops.at(-1)?.escalations ?? [];
    expect([one?.channel, two?.channel]).toEqual(['email', 'destination']);
    expect([one?.number, two?.number]).toEqual([1, 2]);
  });

  it('ends what waits for the second channel when the stop becomes effective first', async () => {
    await openWithLims(1000);
    await dock.conform(receipt);
    await world.erp.close();
    await world.lims.close();
    await failADrum();
    await world.until('the LIMS is to be told', async () => {
      const rows = await world.db
        .selectFrom('delivery')
        .select('state')
        .where('message', '=', 'stop-escalation')
        .execute();
      return rows.length === 1;
    });
    await world.write((db) =>
      db.updateTable('stop').set({ effective_at: world.clock.now() }).execute(),
    );
    await world.until('it is not sent any more', async () => {
      const rows = await world.db
        .selectFrom('delivery')
        .select(['state', 'reason'])
        .where('message', '=', 'stop-escalation')
        .execute();
      return rows.every((row) => row.state === 'superseded');
    });
  });
});
