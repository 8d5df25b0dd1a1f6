import { describe, expect, test } from 'vitest';
import { DashboardService } from '../../src/dashboard/dashboard.service.js';
import { enqueueDelivery } from '../../src/delivery/outbox.store.js';
import { emptyReceipt } from '../../src/receipts/receipt-rows.js';
import { insertReceipt, replaceContainers } from '../../src/receipts/receipts.store.js';
import { ComparisonService } from '../../src/reconciliation/comparison.service.js';
import { DiscrepanciesService } from '../../src/reconciliation/discrepancies.service.js';
import { openDiscrepancy } from '../../src/reconciliation/discrepancies.store.js';
import { ReconciliationService } from '../../src/reconciliation/reconciliation.service.js';
import { insertStatement, latestStatement } from '../../src/statements/statements.store.js';
import type { OpenDatabase } from '../../src/storage/database.js';
import { ManualClock, temporaryDatabase } from '../support/temp-database.js';
import { at, statement } from './sample-views.js';

const SITE = {
  site: 'northquay',
  title: 'Northquay',
  environment: 'training',
  simulated: true,
  timeZone: 'Europe/London',
  areas: [{ id: 'east-dock', title: 'East dock' }],
  materials: [],
  destinations: [],
} as const;

const NOW = at('2026-06-04T13:20:11Z');

async function seeded(): Promise<{ database: OpenDatabase; service: DashboardService }> {
  const database = await temporaryDatabase();
  const clock = new ManualClock(NOW);
  const receipt = {
    ...emptyReceipt('northquay', 'R-1', 'SCAN-R-1'),
    announced: 1,
    receipt_number: 'GR 1',
    line: '10',
    area: 'east-dock',
    received_at: at('2026-06-04T06:00:00Z'),
    revision: 1,
  } as const;
  await database.transact(async (trx) => {
    await insertReceipt(trx, receipt);
    await insertReceipt(trx, {
      ...receipt,
      id: 'R-2',
      scan_text: 'SCAN-R-2',
      received_at: at('2026-06-02T06:00:00Z'),
    });
    await replaceContainers(trx, 'northquay', 'R-1', [
      {
        site: 'northquay',
        receipt_id: 'R-1',
        label: 'D-1',
        normalised: 'D-1',
        required: 1,
        position: 0,
      },
    ]);
    await openDiscrepancy(
      trx,
      {
        site: 'northquay',
        class: 'held',
        subject: 'result:1',
        receiptId: 'R-1',
        containerLabel: 'D-1',
        destination: null,
        scope: null,
        detail: 'result 1 is held',
        openedAt: at('2026-06-04T09:00:00Z'),
      },
      'Europe/Berlin',
    );
    await openDiscrepancy(
      trx,
      {
        site: 'northquay',
        class: 'run-gap',
        subject: 'run-gap:NQ-R-0003:1:14-15',
        receiptId: null,
        containerLabel: null,
        destination: null,
        scope: {},
        detail: 'runs 14 to 15 are missing',
        openedAt: at('2026-06-04T09:00:00Z'),
      },
      'Europe/Berlin',
    );
  });
  const reconciliation = new ReconciliationService(
    database.db,
    clock,
    SITE,
    new ComparisonService(database, clock, SITE),
  );
  const statements = {
    shown: (receiptId: string) => latestStatement(database.db, 'northquay', receiptId),
  };
  return {
    database,
    service: new DashboardService(
      database.db,
      clock,
      SITE,
      reconciliation,
      statements,
      new DiscrepanciesService(database, clock, SITE),
    ),
  };
}

async function state(database: OpenDatabase, revision: number, outcome: 'incomplete' | 'conforms') {
  const document = statement({
    revision,
    outcome,
    stopInForce: null,
    receipt: { ...statement().receipt, receiptId: 'R-1' },
  });
  await database.transact((trx) =>
    insertStatement(trx, {
      site: 'northquay',
      receipt_id: 'R-1',
      revision,
      outcome,
      document: JSON.stringify(document),
      digest: `digest ${revision}`,
      facts_version: revision,
      evaluated_at: NOW,
    }),
  );
}

describe('DashboardService', () => {
  test('shows the receipts of the day in the site zone, also before a statement was made', async () => {
    const { service } = await seeded();
    const day = await service.load();
    if (day === null) throw new Error('no day');
    expect(day.day).toBe('2026-06-04');
    expect(day.receipts.map((r) => [r.receiptId, r.outcome])).toEqual([['R-1', null]]);
    expect(day.receipts[0]?.receiptNumber).toBe('GR 1');
    expect(day.stages[0]?.count).toBe(1);
    expect(day.discrepancies.map((g) => g.key)).toEqual(['run-gap', 'held', 'not-measured']);
  });

  test('shows the latest statement, not an earlier one', async () => {
    const { database, service } = await seeded();
    await state(database, 1, 'conforms');
    await state(database, 2, 'incomplete');
    expect((await service.load())?.receipts[0]?.outcome).toBe('incomplete');
    const receipt = await service.loadReceipt('R-1');
    expect(receipt?.statement?.outcome).toBe('incomplete');
    expect(receipt?.statement?.revision).toBe(2);
  });

  test('shows on a receipt its own discrepancies and every delivery that speaks of it', async () => {
    const { database, service } = await seeded();
    await database.transact((trx) =>
      enqueueDelivery(trx, {
        site: 'northquay',
        subjectKind: 'statement',
        subjectId: 'R-1',
        subjectRevision: 1,
        receiptId: 'R-1',
        destination: 'erp',
        message: 'statement',
        orderingKey: 'statement:R-1',
        isConforms: false,
        isContrary: false,
        mappingDigest: 'digest',
        epoch: 1,
        now: NOW,
      }),
    );
    const view = await service.loadReceipt('R-1');
    expect(view?.receipt.receiptNumber).toBe('GR 1');
    expect(view?.discrepancies.map((g) => g.key)).toEqual(['held']);
    expect(view?.deliveries.map((d) => [d.destination, d.message, d.state])).toEqual([
      ['erp', 'statement', 'due'],
    ]);
  });

  test('knows nothing of an id that nobody announced and no scan named', async () => {
    const { service } = await seeded();
    expect(await service.loadReceipt('R-9')).toBeNull();
  });
});
