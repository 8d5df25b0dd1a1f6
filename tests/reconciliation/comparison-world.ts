import fc from 'fast-check';
import { enqueueDelivery } from '../../src/delivery/outbox.store.js';
import { addMs } from '../../src/formats/instant.js';
import { lockReceipts } from '../../src/receipts/facts.store.js';
import { attributeResult, findReceipts } from '../../src/receipts/receipts.store.js';
import { ComparisonService } from '../../src/reconciliation/comparison.service.js';
import { openDiscrepancy } from '../../src/reconciliation/discrepancies.store.js';
import {
  type Difference,
  RecomputeService,
  type RecomputeStart,
} from '../../src/reconciliation/recompute.service.js';
import { ReconciliationService } from '../../src/reconciliation/reconciliation.service.js';
import type { DeliveryFault, DeliveryState, ResultState } from '../../src/storage/tables.js';
import { StatementWorld } from '../statements/statement-world.js';

/** A statement world whose comparison is kept by rounds and recomputed from scratch. */
export class ComparisonWorld {
  readonly comparison: ComparisonService;
  readonly recomputation: RecomputeService;
  readonly reconciliation: ReconciliationService;

  private constructor(readonly world: StatementWorld) {
    const { database, clock, site } = world;
    this.comparison = new ComparisonService(database, clock, site);
    this.recomputation = new RecomputeService(database, clock, site, this.comparison);
    this.reconciliation = new ReconciliationService(database.db, clock, site, this.comparison);
  }

  static async open(): Promise<ComparisonWorld> {
    return new ComparisonWorld(await StatementWorld.open());
  }

  async recompute(repair = false): Promise<Difference[]> {
    const found: Difference[] = [];
    for (let next: RecomputeStart | null = { part: 'receipts', after: '' }; next !== null; ) {
      const page = await this.recomputation.page(next, repair);
      found.push(...page.differences);
      next = page.next;
    }
    return found;
  }

  /** `class subject (receipt)` of what is open, `*` in front where an event opened it. */
  async open(): Promise<string[]> {
    const rows = await this.world.database.db
      .selectFrom('discrepancy')
      .select(['class', 'subject', 'receipt_id', 'derived'])
      .where('closed_at', 'is', null)
      .orderBy('class')
      .orderBy('subject')
      .execute();
    return rows.map(
      (r) => `${r.derived === 1 ? '' : '*'}${r.class} ${r.subject} (${r.receipt_id ?? ''})`,
    );
  }
}

const RECEIPTS = ['R-1', 'R-2', 'R-3'] as const;
const STATES: readonly DeliveryState[] = [
  'due',
  'building',
  'sending',
  'accepted',
  'confirmed',
  'uncertain',
  'rejected',
  'parked',
  'cancelled',
  'superseded',
];
const FAULTS: readonly (DeliveryFault | null)[] = [
  null,
  'absent',
  'differs',
  'duplicate',
  'rejected',
];

/** What may happen to what is compared, in any order, by whichever part of the service. */
export type HistoryStep =
  | { readonly kind: 'announce'; readonly receipt: number; readonly containers: number }
  | {
      readonly kind: 'measure';
      readonly receipt: number;
      readonly container: number;
      readonly state: ResultState;
      readonly instrument: number;
      readonly minutes: number;
    }
  | {
      readonly kind: 'deliver';
      readonly nth: number;
      readonly state: number;
      readonly fault: number;
    }
  | {
      readonly kind: 'settle';
      readonly nth: number;
      readonly state: ResultState;
    }
  | { readonly kind: 'move'; readonly nth: number; readonly receipt: number }
  | { readonly kind: 'rebuild'; readonly nth: number }
  | { readonly kind: 'require'; readonly receipt: number; readonly required: boolean }
  | { readonly kind: 'event'; readonly nth: number }
  | { readonly kind: 'wait'; readonly minutes: number }
  | { readonly kind: 'round' };

const small = (max: number) => fc.integer({ min: 0, max });
const resultState = fc.constantFrom(
  'accepted' as const,
  'held' as const,
  'refused' as const,
  'superseded' as const,
);

export const historyStep: fc.Arbitrary<HistoryStep> = fc.oneof(
  fc.record({ kind: fc.constant('announce' as const), receipt: small(2), containers: small(4) }),
  fc.record({
    kind: fc.constant('measure' as const),
    receipt: small(3),
    container: small(5),
    state: resultState,
    instrument: small(1),
    // From before the site's midnight to after it.
    minutes: fc.integer({ min: -1500, max: 1500 }),
  }),
  fc.record({
    kind: fc.constant('deliver' as const),
    nth: small(20),
    state: small(STATES.length - 1),
    fault: small(FAULTS.length - 1),
  }),
  fc.record({ kind: fc.constant('settle' as const), nth: small(8), state: resultState }),
  fc.record({ kind: fc.constant('move' as const), nth: small(8), receipt: small(2) }),
  fc.record({ kind: fc.constant('rebuild' as const), nth: small(20) }),
  fc.record({
    kind: fc.constant('require' as const),
    receipt: small(2),
    required: fc.boolean(),
  }),
  fc.record({ kind: fc.constant('event' as const), nth: small(20) }),
  fc.record({ kind: fc.constant('wait' as const), minutes: small(20) }),
  fc.constant({ kind: 'round' as const }),
);

/** Does one step as rows; what it names and is not there does nothing. */
export async function doStep({ world, comparison }: ComparisonWorld, step: HistoryStep) {
  const { database, clock, site } = world;
  const receiptId = (n: number) => RECEIPTS[n] ?? 'R-9';
  const nth = async (table: 'delivery' | 'result', n: number) => {
    const rows = await database.db
      .selectFrom(table)
      .select('id')
      .orderBy('id')
      .limit(1)
      .offset(n)
      .execute();
    return rows[0]?.id ?? null;
  };
  switch (step.kind) {
    case 'announce': {
      const id = receiptId(step.receipt);
      const containers = Array.from({ length: step.containers + 1 }, (_, i) => `D-0${i + 1}`);
      await world.announce({
        receiptId: id,
        scanText: id.replace('R', 'RC'),
        line: `${step.receipt}`,
        containers,
      });
      return;
    }
    case 'measure':
      await world.measure({
        receipt: receiptId(step.receipt).replace('R', 'RC'),
        container: `D-0${step.container + 1}`,
        state: step.state,
        instrument: `NQ-R-000${step.instrument + 1}`,
        at: addMs(clock.now(), step.minutes * 60_000),
      });
      return;
    case 'deliver': {
      const id = await nth('delivery', step.nth);
      if (id === null) return;
      await database.transact(async (trx) => {
        await lockReceipts(trx, site.site, RECEIPTS);
        await trx
          .updateTable('delivery')
          .set({
            state: STATES[step.state] ?? 'due',
            fault: FAULTS[step.fault] ?? null,
            reason: step.fault === 0 ? null : 'as the destination says',
          })
          .where('id', '=', id)
          .execute();
      });
      return;
    }
    case 'settle': {
      const id = await nth('result', step.nth);
      if (id === null) return;
      await database.transact(async (trx) => {
        await trx.updateTable('result').set({ state: step.state }).where('id', '=', id).execute();
      });
      return;
    }
    case 'move': {
      const id = await nth('result', step.nth);
      const to = await findReceipts(database.db, site.site, [receiptId(step.receipt)]);
      // Results belong to announced receipts only.
      if (id === null || to.get(receiptId(step.receipt))?.announced !== 1) return;
      await database.transact((trx) =>
        attributeResult(trx, site.site, id, {
          receiptId: receiptId(step.receipt),
          containerLabel: 'D-01',
        }),
      );
      return;
    }
    case 'rebuild': {
      const id = await nth('delivery', step.nth);
      const row = await database.db
        .selectFrom('delivery')
        .selectAll()
        .where('id', '=', id ?? '')
        .executeTakeFirst();
      if (!row) return;
      await database.transact((trx) =>
        enqueueDelivery(trx, {
          site: row.site,
          subjectKind: row.subject_kind,
          subjectId: row.subject_id,
          subjectRevision: row.subject_revision,
          receiptId: row.receipt_id,
          destination: row.destination,
          message: 'result',
          build: row.build + 1,
          orderingKey: row.ordering_key,
          isConforms: false,
          isContrary: false,
          mappingDigest: 'mapping',
          epoch: 1,
          now: clock.now(),
        }),
      );
      return;
    }
    case 'require':
      await database.transact(async (trx) => {
        await trx
          .updateTable('container')
          .set({ required: step.required ? 1 : 0 })
          .where('receipt_id', '=', receiptId(step.receipt))
          .where('label', '=', 'D-01')
          .execute();
      });
      return;
    case 'event': {
      const id = await nth('delivery', step.nth);
      if (id === null) return;
      await database.transact((trx) =>
        openDiscrepancy(
          trx,
          {
            site: site.site,
            class: 'absent',
            subject: `delivery:${id}`,
            receiptId: 'R-1',
            containerLabel: null,
            destination: 'lims',
            scope: null,
            detail: 'a sweep did not find it',
            openedAt: clock.now(),
          },
          site.timeZone,
        ),
      );
      return;
    }
    case 'wait':
      clock.advance(step.minutes * 60_000);
      return;
    case 'round':
      await comparison.round();
  }
}
