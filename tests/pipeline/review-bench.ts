import type { NewAccount } from '../../src/access/account-rules.js';
import type { AccountsService } from '../../src/access/accounts.service.js';
import type { BundleParts } from '../../src/checks/assemble-bundle.js';
import type { Instant } from '../../src/formats/instant.js';
import { ResultMessages } from '../../src/pipeline/result-messages.service.js';
import { ReviewService } from '../../src/pipeline/review.service.js';
import type { ReceiptLine } from '../../src/receipts/expectation-line.js';
import {
  type ChangeResult,
  ReceiptChangesService,
} from '../../src/receipts/receipt-changes.service.js';
import type { By } from '../../src/receipts/receipt-revision.service.js';
import { ReceiptsService } from '../../src/receipts/receipts.service.js';
import { bindShown } from '../../src/signatures/shown-document.js';
import { SigningService } from '../../src/signatures/signing.service.js';
import type { SigningRequest } from '../../src/signatures/signing-request.js';
import { type ReviewAct, reviewDocument } from '../../src/statements/result-review.js';
import type { ReviewAnswer } from '../../src/statements/review-answer.js';
import type { ActiveMapping } from '../../src/statements/statement-messages.js';
import type { OpenDatabase, Trx } from '../../src/storage/database.js';
import { at, SITE } from '../checks/fixture.js';
import { ADDRESS, COMMAND_LINE, newAccount, peopleOn } from '../support/people.js';
import { BundleBench } from './bundle-bench.js';

export const MAPPINGS = new Map([
  ['lims', { digest: 'mapping', messages: ['result', 'withdrawal'] as const }],
]);

/** A receipt line of two containers. */
export function announcement(changes: Partial<ReceiptLine> = {}): ReceiptLine {
  return {
    receiptId: 'R-1',
    receiptNumber: '4500012345',
    line: '10',
    material: 'M-1',
    manufacturer: 'Maker A (simulated)',
    supplier: 'Trader B (simulated)',
    supplierLot: 'L-1',
    siteLot: 'L-1',
    quantity: '50 kg',
    area: 'dock',
    receivedAt: at('2026-07-01T08:00:00Z'),
    dockCount: 2,
    countedBy: 'dock',
    retestAt: null,
    scanText: 'GR-1',
    containers: ['C-1', 'C-2'],
    ...changes,
  };
}

/** As an administrator ends an account; its person may come back under another. */
export async function ended({ bench }: ReviewBench, userName: string): Promise<void> {
  const { people } = peopleOn(bench.database, bench.clock);
  const caller = { ...COMMAND_LINE, id: 'cli', site: 'northquay', rights: new Set<never>() };
  const answer = await people.deactivate(userName, { caller, reason: 'left' });
  if (!answer.ok) throw new Error(`${userName} was not deactivated`);
}

/** Bundles settled over one database, and people who review their results. */
export class ReviewBench {
  readonly reviews: ReviewService;
  readonly receipts: ReceiptsService;

  private constructor(
    readonly bench: BundleBench,
    readonly accounts: AccountsService,
    readonly signing: SigningService,
  ) {
    this.reviews = this.reviewsOver(bench.database);
    this.receipts = new ReceiptsService({
      site: bench.site,
      evaluate: (trx, id, now) => bench.statements.evaluateInTransaction(trx, id, now),
    });
  }

  static async open(
    site = SITE,
    mappings: ReadonlyMap<string, ActiveMapping> = MAPPINGS,
  ): Promise<ReviewBench> {
    const bench = await BundleBench.open(site, mappings);
    const { accounts } = peopleOn(bench.database, bench.clock);
    const signing = new SigningService(bench.database, bench.clock, accounts, bench.site);
    return new ReviewBench(bench, accounts, signing);
  }

  /** The same as another process would have it. */
  reviewsOver(database: OpenDatabase): ReviewService {
    const { bench } = this;
    return new ReviewService({
      database,
      clock: bench.clock,
      site: bench.site,
      statements: bench.statements,
      messages: new ResultMessages(bench.site, bench.mappings, 1),
      signing: this.signing,
      onReviewed: () => undefined,
    });
  }

  get db() {
    return this.bench.database.db;
  }

  /** A person who has chosen a password of their own. */
  async person(userName: string, changes: Partial<NewAccount> = {}): Promise<SigningRequest> {
    const account = newAccount(userName, { roles: ['reviewer'], ...changes });
    const made = await this.accounts.create(account, COMMAND_LINE);
    if (!made.ok) throw new Error(made.fault.message);
    await this.bench.database.transact((trx) =>
      trx
        .updateTable('account')
        .set({ must_change_password: 0 })
        .where('id', '=', made.id)
        .execute(),
    );
    return {
      actor: { kind: 'person', name: made.id, source: ADDRESS },
      accountId: made.id,
      sessionId: `session of ${userName}`,
      userName,
      password: account.password,
      source: ADDRESS,
    };
  }

  announce(changes: Partial<ReceiptLine> = {}) {
    const line = announcement(changes);
    const { database, clock } = this.bench;
    return database.transact((trx) =>
      this.receipts.announce(trx, [line], COMMAND_LINE, clock.now()),
    );
  }

  /** One change of a receipt, in a transaction of its own. */
  change(
    work: (changes: ReceiptChangesService, trx: Trx, by: By) => Promise<ChangeResult>,
  ): Promise<ChangeResult> {
    const { site, statements, database, clock } = this.bench;
    const settings = {
      site,
      evaluate: (trx: Trx, id: string, now: Instant) =>
        statements.evaluateInTransaction(trx, id, now),
    };
    const changes = new ReceiptChangesService(settings, this.receipts);
    const by = { actor: COMMAND_LINE, now: clock.now(), source: 'two places' };
    return database.transact((trx) => work(changes, trx, by));
  }

  settle(parts: BundleParts | Uint8Array): Promise<string> {
    return this.bench.settle(parts);
  }

  /** `R-1 held`, in the order in which the results were stored. */
  async states(): Promise<string[]> {
    const rows = await this.db
      .selectFrom('result')
      .select(['result_id', 'state'])
      .orderBy('id')
      .execute();
    return rows.map((r) => `${r.result_id} ${r.state}`);
  }

  async rowId(resultId: string, nth = 0): Promise<string> {
    const rows = await this.db
      .selectFrom('result')
      .select('id')
      .where('result_id', '=', resultId)
      .orderBy('id')
      .execute();
    return rows[nth]?.id ?? 'no such result';
  }

  async digest(rowId: string): Promise<string> {
    const about = await this.reviews.load(rowId);
    if (about === null) throw new Error('there is no such result');
    return bindShown(reviewDocument(about)).sha256;
  }

  /** Looks at a result and signs at once, a second later. */
  async review(
    act: ReviewAct,
    rowId: string,
    who: SigningRequest,
    reason = 'the sync log shows it',
  ): Promise<ReviewAnswer> {
    const shownSha256 = await this.digest(rowId);
    this.bench.clock.advance(1000);
    return this.reviews.decide(rowId, { act, shownSha256, reason }, who);
  }

  /** `lims result due`, in order. */
  async messages(): Promise<string[]> {
    const rows = await this.db
      .selectFrom('delivery')
      .select(['destination', 'message', 'state'])
      .orderBy('id')
      .execute();
    return rows.map((r) => `${r.destination} ${r.message} ${r.state}`);
  }

  trail(action: string) {
    return this.db
      .selectFrom('audit_entry')
      .selectAll()
      .where('action', '=', action)
      .orderBy('id')
      .execute();
  }

  /** What the condition of the latest evaluation found. */
  async found(code: string, receiptId = 'R-1'): Promise<string> {
    const { database, statements, clock } = this.bench;
    await database.transact((trx) => statements.evaluateInTransaction(trx, receiptId, clock.now()));
    const shown = await statements.shown(receiptId);
    const condition = shown?.conditions.find((c) => c.code === code);
    return `${condition?.state}: ${condition?.found}`;
  }
}
