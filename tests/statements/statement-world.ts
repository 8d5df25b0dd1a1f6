import { resultKey } from '../../src/delivery/new-delivery.js';
import { enqueueDelivery } from '../../src/delivery/outbox.store.js';
import { formatInstant, type Instant } from '../../src/formats/instant.js';
import type { EntryMode, TimeSource } from '../../src/intake/result-bundle.js';
import type { ReceiptLine } from '../../src/receipts/expectation-line.js';
import {
  lockReceipts,
  lockSiteEvidence,
  markEvaluationDue,
  tellWaitingReceipts,
} from '../../src/receipts/facts.store.js';
import { normaliseLabel } from '../../src/receipts/label.js';
import { ReceiptChangesService } from '../../src/receipts/receipt-changes.service.js';
import type { By } from '../../src/receipts/receipt-revision.service.js';
import { ReceiptsService, type ReceiptsSettings } from '../../src/receipts/receipts.service.js';
import { ensureScannedReceipt } from '../../src/receipts/receipts.store.js';
import { matchScan } from '../../src/receipts/scan-match.js';
import { loadScanTargets } from '../../src/receipts/scan-targets.store.js';
import type { EvidenceScope } from '../../src/reconciliation/discrepancies.js';
import { openDiscrepancy } from '../../src/reconciliation/discrepancies.store.js';
import type { ConditionCode } from '../../src/records/statement-record.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import { StatementsService } from '../../src/statements/statements.service.js';
import type { OpenDatabase, Trx } from '../../src/storage/database.js';
import type { DeliveryState, PerformanceCheckRow, ResultRow } from '../../src/storage/tables.js';
import { ManualClock, temporaryDatabase } from '../support/temp-database.js';
import { site as northquay, time } from './conforming-facts.js';

const ALL = { digest: 'mapping', messages: ['result', 'withdrawal', 'statement', 'stop'] as const };

/** Receipts that tests name. */
const FEW = ['R-1', 'R-2', 'R-3', 'R-4', 'R-9'];

export interface Measured {
  readonly container: string | null;
  readonly receipt?: string;
  readonly at?: Instant;
  readonly decision?: string;
  readonly state?: ResultRow['state'];
  readonly instrument?: string;
  readonly recheck?: string;
  /** How receipt and container were entered; default scanned. */
  readonly entry?: EntryMode;
  /** Where the offset of its time is from; default instrument. */
  readonly timeSource?: TimeSource;
}

/** A database with receipts and statements over it, fed as the pipeline feeds them. */
export class StatementWorld {
  readonly clock = new ManualClock(time('09:00'));
  readonly statements: StatementsService;
  readonly receipts: ReceiptsService;
  readonly changes: ReceiptChangesService;
  /** Questions that brought a new revision. */
  pulledNews = 0;
  #rows = 0;

  private constructor(
    readonly database: OpenDatabase,
    readonly site: SiteFolder,
  ) {
    this.statements = new StatementsService(database, this.clock, {
      site,
      mappings: new Map(site.destinations.map((d) => [d.name, ALL])),
      epoch: 1,
      onPulledNews: () => {
        this.pulledNews += 1;
      },
    });
    const settings: ReceiptsSettings = {
      site,
      evaluate: (trx, id, now) => this.statements.evaluateInTransaction(trx, id, now),
    };
    this.receipts = new ReceiptsService(settings);
    this.changes = new ReceiptChangesService(settings, this.receipts);
  }

  static async open(site: SiteFolder = northquay): Promise<StatementWorld> {
    const database = await temporaryDatabase();
    // Every instrument passed its checks before and after whatever is measured here.
    const checks = site.instruments.flatMap(({ serial }) => [
      performanceCheckRow(serial, 0, time('06:00')),
      performanceCheckRow(serial, 1_000_000, time('09:25')),
    ]);
    await database.transact(async (trx) => {
      await trx.insertInto('performance_check').values(checks).execute();
    });
    return new StatementWorld(database, site);
  }

  /** The same database under another site folder. */
  withSite(site: SiteFolder): StatementWorld {
    return new StatementWorld(this.database, site);
  }

  line(changes: Partial<ReceiptLine> = {}): ReceiptLine {
    const containers = changes.containers ?? ['D-01', 'D-02'];
    return {
      receiptId: 'R-1',
      receiptNumber: '4500012345',
      line: '10',
      material: 'NQ-1001',
      manufacturer: 'Maker A',
      supplier: 'Trader B',
      supplierLot: 'SL-7',
      siteLot: 'NQ26-001',
      quantity: '50 kg',
      area: 'east-dock',
      receivedAt: time('08:00'),
      dockCount: containers.length,
      countedBy: 'dock',
      retestAt: null,
      scanText: 'RC-1',
      ...changes,
      containers,
    };
  }

  announce(...lines: Partial<ReceiptLine>[]) {
    const actor = { kind: 'cli', name: 'tester' } as const;
    const announced = (lines.length === 0 ? [{}] : lines).map((l) => this.line(l));
    return this.database.transact((trx) =>
      this.receipts.announce(trx, announced, actor, this.clock.now()),
    );
  }

  /** One change of a receipt, in a transaction of its own. */
  change<T>(
    work: (changes: ReceiptChangesService, trx: Trx, by: By) => Promise<T>,
    source = 'asked for by the dock',
  ): Promise<T> {
    const actor = { kind: 'cli', name: 'tester' } as const;
    return this.database.transact((trx) =>
      work(this.changes, trx, { actor, now: this.clock.now(), source }),
    );
  }

  /** Splits R-1 into R-2 (first container, or those named) and R-3 (the rest). */
  split(first: readonly string[] = ['D-01'], rest: readonly string[] = ['D-02']) {
    const parts = [
      { receiptId: 'R-2', scanText: 'RC-2', containers: first },
      { receiptId: 'R-3', scanText: 'RC-3', containers: rest },
    ];
    return this.change((c, trx, by) => c.split(trx, { receiptId: 'R-1', seen: null, parts }, by));
  }

  async condition(receiptId: string, code: ConditionCode) {
    const { conditions } = await this.statements.fresh(receiptId, 'tester');
    return conditions.find((c) => c.code === code);
  }

  /** One bundle's results: matched, stored, delivered and evaluated in one transaction; returns row ids. */
  measure(...measured: Measured[]): Promise<string[]> {
    const { site } = this.site;
    return this.database.transact(async (trx) => {
      const texts = measured.map((m) => normaliseLabel(m.receipt ?? 'RC-1'));
      const locked: string[] = [];
      for (const text of texts) locked.push(await ensureScannedReceipt(trx, site, text));
      await lockReceipts(trx, site, locked);
      const targets = await loadScanTargets(trx, site, texts);
      const ids: string[] = [];
      const touched = new Set<string>();
      for (const m of measured) {
        const scan = { receipt: m.receipt ?? 'RC-1', container: m.container };
        const match = matchScan(targets, scan);
        const owner = match.kind === 'receipt' ? match : null;
        const row = this.row(m, owner?.receiptId ?? null, owner?.containerLabel ?? null);
        await trx.insertInto('result').values(row).execute();
        if (owner) touched.add(owner.receiptId);
        if (row.state === 'accepted') await this.deliver(trx, row);
        ids.push(row.id);
      }
      for (const id of touched) {
        await this.statements.evaluateInTransaction(trx, id, this.clock.now());
      }
      return ids;
    });
  }

  private async deliver(trx: Parameters<typeof enqueueDelivery>[0], row: ResultRow): Promise<void> {
    for (const { name } of this.site.destinations) {
      await enqueueDelivery(trx, {
        site: row.site,
        subjectKind: 'result',
        subjectId: row.id,
        subjectRevision: 1,
        receiptId: row.receipt_id,
        destination: name,
        message: 'result',
        orderingKey: resultKey(row.result_id),
        isConforms: false,
        isContrary: row.contrary === 1,
        mappingDigest: 'mapping',
        epoch: 1,
        now: this.clock.now(),
      });
    }
  }

  private row(m: Measured, receiptId: string | null, containerLabel: string | null): ResultRow {
    this.#rows += 1;
    const id = `row-${this.#rows}`;
    const decision = m.decision ?? 'pass';
    return {
      id,
      site: this.site.site,
      result_id: `result-${this.#rows}`,
      revision: 1,
      bundle_row_id: 'bundle-1',
      pointer: `/results/${this.#rows}`,
      state: m.state ?? 'accepted',
      instrument_serial: m.instrument ?? 'NQ-R-0001',
      run_epoch: 1,
      run_number: this.#rows,
      mode: 'verification',
      decision,
      contrary: decision === 'pass' ? 0 : 1,
      receipt_id: receiptId,
      receipt_scanned: m.receipt ?? 'RC-1',
      container_scanned: m.container,
      drum_number: null,
      container_label: containerLabel,
      material: 'NQ-1001',
      matched_material: null,
      lot: null,
      method_id: 'ID-NQ-1001',
      method_version: '1',
      operator_id: 'op-1',
      measured_at: m.at ?? time('08:30'),
      measured_text: null,
      environment: 'training',
      origin: 'simulated',
      recheck: JSON.stringify({ answer: m.recheck ?? 'agrees', score: null, reason: '' }),
      record: JSON.stringify({
        method: { digest: 'digest of ID-NQ-1001' },
        receipt: { scanned: m.receipt ?? 'RC-1', entry: m.entry ?? 'scanned' },
        container: { scanned: m.container, entry: m.entry ?? 'scanned' },
        measuredAt: {
          reported: formatInstant(m.at ?? time('08:30')),
          source: m.timeSource ?? 'instrument',
        },
      }),
      record_sha256: null,
      animl_sha256: null,
      animl_writer: null,
      spectrum_sha256: null,
      intensity_sha256: null,
      element_sha256: id,
      supersedes: null,
      review_signature_id: null,
    };
  }

  /** An accepted sync of an instrument. */
  async hear(serial: string, at: Instant): Promise<void> {
    const { site } = this.site;
    const state = { epoch: 1, last_run: 1, last_bundle_sha256: null, covered: '[]', heard_at: at };
    await this.database.db
      .insertInto('instrument_state')
      .values({ site, serial, ...state })
      .onConflict((c) => c.columns(['site', 'serial']).doUpdateSet({ heard_at: at }))
      .execute();
  }

  /** What a settled bundle tells the receipts that wait for an instrument. */
  tellNews(): Promise<void> {
    return this.database.transact((trx) => tellWaitingReceipts(trx, this.site.site));
  }

  /** Sets deliveries of a kind to a state, as the delivery stage would after its attempts. */
  async setDeliveries(
    kind: 'result' | 'statement' | 'stop',
    state: DeliveryState,
    fault: 'not-effective' | null = null,
  ): Promise<void> {
    await this.database.transact(async (trx) => {
      await lockReceipts(trx, this.site.site, FEW);
      await trx
        .updateTable('delivery')
        .set({ state, fault })
        .where('subject_kind', '=', kind)
        .where('state', 'not in', ['cancelled', 'superseded'])
        .execute();
      await markEvaluationDue(trx, this.site.site, FEW);
    });
  }

  async openUnowned(subject: string, scope: EvidenceScope): Promise<void> {
    const { site } = this.site;
    await this.database.transact(async (trx) => {
      const now = this.clock.now();
      const inDoubt = await this.statements.conformingInScope(trx, scope);
      await lockReceipts(trx, site, inDoubt);
      await lockSiteEvidence(trx, site);
      await openDiscrepancy(
        trx,
        {
          site,
          class: 'run-gap',
          subject,
          receiptId: null,
          containerLabel: null,
          destination: null,
          scope,
          detail: subject,
          openedAt: now,
        },
        'Europe/Berlin',
      );
      for (const id of inDoubt) await this.statements.evaluateInTransaction(trx, id, now);
    });
  }

  /** Everything R-1 needs to conform: measured, heard, delivered, evaluated. */
  async conform(): Promise<void> {
    await this.announce();
    await this.measure({ container: 'D-01' }, { container: 'D-02' });
    await this.hear('NQ-R-0001', time('08:59'));
    await this.hear('NQ-R-0002', time('08:59'));
    await this.setDeliveries('result', 'confirmed');
    await this.statements.evaluateDue(10);
  }

  /** `1 incomplete`, `2 conforms` … of a receipt. */
  async told(receiptId = 'R-1'): Promise<string[]> {
    const rows = await this.database.db
      .selectFrom('statement')
      .select(['revision', 'outcome'])
      .where('receipt_id', '=', receiptId)
      .orderBy('revision')
      .execute();
    return rows.map((r) => `${r.revision} ${r.outcome}`);
  }

  async stops(receiptId = 'R-1'): Promise<string[]> {
    const rows = await this.database.db
      .selectFrom('stop')
      .select(['kind', 'statement_revision'])
      .where('receipt_id', '=', receiptId)
      .orderBy('statement_revision')
      .execute();
    return rows.map((r) => `${r.statement_revision} ${r.kind}`);
  }

  /** Statement and stop deliveries: `erp stop 3 due`. */
  async messages(): Promise<string[]> {
    const rows = await this.database.db
      .selectFrom('delivery')
      .select(['destination', 'message', 'subject_revision', 'state'])
      .where('subject_kind', 'in', ['statement', 'stop'])
      .orderBy('subject_revision')
      .orderBy('destination', 'desc')
      .execute();
    return rows.map((r) => `${r.destination} ${r.message} ${r.subject_revision} ${r.state}`);
  }
}

/** A check on polystyrene as it is stored, passed unless told otherwise. */
export function performanceCheckRow(
  serial: string,
  run: number,
  checkedAt: Instant,
  verdict: PerformanceCheckRow['verdict'] = 'pass',
): PerformanceCheckRow {
  return {
    id: `check-${serial}-${run}`,
    site: northquay.site,
    bundle_row_id: 'none',
    check_id: `${serial}-C${run}`,
    instrument_serial: serial,
    run_epoch: 1,
    run_number: run,
    checked_at: checkedAt,
    standard: 'polystyrene',
    outcome: verdict === 'fail' ? 'fail' : 'pass',
    document: '{}',
    element_sha256: `check ${run}`,
    verdict,
    judgement: null,
  };
}
