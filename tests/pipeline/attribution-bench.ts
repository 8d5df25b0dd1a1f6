import { encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import { AttributionService } from '../../src/pipeline/attribution.service.js';
import { AttributionWatch } from '../../src/pipeline/attribution-watch.service.js';
import { ResultMessages } from '../../src/pipeline/result-messages.service.js';
import type { SigningRequest } from '../../src/signatures/signing-request.js';
import type { AttributionAct } from '../../src/statements/attribution.js';
import type { AttributionProposal } from '../../src/statements/attribution-view.js';
import type { OpenDatabase } from '../../src/storage/database.js';
import { curve, dec, scoreOf } from '../checks/fixture.js';
import { ReviewBench } from './review-bench.js';

const NAPHTHALENE = curve('naphthalene');
/** The drum holds something else, and the recheck says so too. */
export const FAIL = {
  decision: 'fail' as const,
  score: {
    algorithm: 'squared-correlation',
    value: scoreOf('ID-M-1', NAPHTHALENE),
    threshold: dec('0.90'),
  },
  spectrum: encodeSpectrum(NAPHTHALENE.axis, NAPHTHALENE.intensity, 'float64'),
};

/** What the labels of drum D-1 of receipt R-2 show. */
export const LABELS_OF_D1: AttributionProposal = {
  receiptId: 'R-2',
  seen: { receipt: 'GR-2', container: 'D-1', lot: 'L-2', seenBy: 'Lena (simulated)' },
  reason: 'the handheld lay on the pallet of GR-2, dock log 14',
};

/** Two receipts of one material, results scanned for the first, and people who say whose they are. */
export class AttributionBench {
  readonly attributions: AttributionService;
  readonly watch: AttributionWatch;

  private constructor(readonly reviews: ReviewBench) {
    const { database, clock, site, statements } = reviews.bench;
    this.attributions = this.over(database);
    this.watch = new AttributionWatch(database, clock, site, statements);
  }

  static async open(...of: Parameters<typeof ReviewBench.open>): Promise<AttributionBench> {
    const bench = new AttributionBench(await ReviewBench.open(...of));
    await bench.reviews.announce();
    await bench.announceSecond();
    return bench;
  }

  announceSecond(changes: Parameters<ReviewBench['announce']>[0] = {}) {
    return this.reviews.announce({
      receiptId: 'R-2',
      scanText: 'GR-2',
      supplierLot: 'L-2',
      siteLot: 'L-2',
      containers: ['D-1', 'D-2'],
      ...changes,
    });
  }

  /** The same as another process would have it. */
  over(database: OpenDatabase, mappings = this.reviews.bench.mappings): AttributionService {
    const { bench, signing } = this.reviews;
    return new AttributionService({
      database,
      clock: bench.clock,
      site: bench.site,
      statements: bench.statements,
      messages: new ResultMessages(bench.site, mappings, 1),
      signing,
      onChanged: () => undefined,
    });
  }

  get db() {
    return this.reviews.db;
  }

  /** Proposes and returns the id; fails by what was refused. */
  async propose(
    rowId: string,
    by: SigningRequest,
    proposal: AttributionProposal = LABELS_OF_D1,
  ): Promise<string> {
    this.reviews.bench.clock.advance(1000);
    const { accountId } = by;
    if (accountId === null) throw new Error('nobody is signed in');
    const proposer = { accountId, printedName: by.userName ?? '', source: null };
    const answer = await this.attributions.propose(rowId, proposal, proposer);
    if (answer.kind !== 'proposed') throw new Error(JSON.stringify(answer));
    return answer.id;
  }

  /** Looks and signs, a second later. */
  async decide(
    id: string,
    who: SigningRequest,
    act: AttributionAct = 'attribute',
    over = this.attributions,
  ) {
    const shownSha256 = (await over.show(id))?.sha256 ?? '';
    this.reviews.bench.clock.advance(1000);
    const request = { act, shownSha256, reason: 'compared with the photo of the label' };
    return over.decide(id, request, who);
  }

  /** `R-1 R-2/D-1 rev 2`, in the order in which the results were stored. */
  async places(): Promise<string[]> {
    const rows = await this.db
      .selectFrom('result')
      .select(['result_id', 'receipt_id', 'container_label', 'revision'])
      .orderBy('id')
      .execute();
    return rows.map((r) => `${r.result_id} ${r.receipt_id}/${r.container_label} rev ${r.revision}`);
  }

  /** `result 1 R-1 confirmed`, in the order of their key. */
  async messages(): Promise<string[]> {
    const rows = await this.db
      .selectFrom('delivery')
      .select(['message', 'subject_revision', 'receipt_id', 'state'])
      .orderBy('ordering_key')
      .orderBy('seq')
      .execute();
    return rows.map((r) => `${r.message} ${r.subject_revision} ${r.receipt_id} ${r.state}`);
  }

  async deliver(state: 'confirmed' | 'rejected' | 'sending' = 'confirmed'): Promise<void> {
    await this.reviews.bench.database.transact((trx) =>
      trx.updateTable('delivery').set({ state }).where('state', '=', 'due').execute(),
    );
  }

  /** Of every result id: `contradicted: …` at a receipt. */
  contrary(receiptId: string): Promise<string> {
    return this.reviews.found('no-contrary-result', receiptId);
  }

  async open(): Promise<string[]> {
    const rows = await this.db
      .selectFrom('discrepancy')
      .select(['class', 'receipt_id'])
      .where('closed_at', 'is', null)
      .where('derived', '=', 0)
      .orderBy('id')
      .execute();
    return rows.map((d) => `${d.class} ${d.receipt_id}`);
  }
}
