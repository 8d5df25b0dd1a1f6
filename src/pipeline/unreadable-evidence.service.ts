import type { Instant } from '../formats/instant.js';
import { markEvaluationDue } from '../receipts/facts.store.js';
import { type ReceiptLocks, transactLocking } from '../receipts/receipt-locks.store.js';
import type { EvidenceScope, NewDiscrepancy } from '../reconciliation/discrepancies.js';
import { openDiscrepancy } from '../reconciliation/discrepancies.store.js';
import type { StatementsService } from '../statements/statements.service.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import { dialectOf } from '../storage/dialect.js';

export interface UnreadableBytes {
  /** Intake id. */
  readonly id: string;
  readonly receivedAt: Instant;
  /** Why they cannot be read, in words. */
  readonly message: string;
}

/**
 * Bytes that nobody can read may hold bad news about any receipt that was there when they arrived
 * (release-safety rule 10). Opened and evaluated in the transaction that stores them.
 */
export class UnreadableEvidence {
  constructor(
    private readonly site: { readonly site: string; readonly timeZone: string },
    private readonly statements: StatementsService,
  ) {}

  /** True when it called for a stop. */
  async open(
    trx: Trx,
    locks: ReceiptLocks,
    bytes: UnreadableBytes,
    now: Instant,
  ): Promise<boolean> {
    const scope: EvidenceScope = { to: bytes.receivedAt };
    const inDoubt = await lockInDoubt(trx, locks, this.statements, this.site.site, [scope]);
    const { site, timeZone } = this.site;
    const unreadable = {
      site,
      class: 'unreadable' as const,
      subject: `bundle:${bytes.id}`,
      receiptId: null,
      containerLabel: null,
      destination: null,
      scope,
      detail: `bytes taken in under ${bytes.id} cannot be read: ${bytes.message}`,
      openedAt: now,
    };
    await openDiscrepancy(trx, unreadable, timeZone);
    let hasStop = false;
    for (const id of inDoubt) {
      const evaluation = await this.statements.evaluateInTransaction(trx, id, now);
      if (evaluation !== null && evaluation.stop !== 'none') hasStop = true;
    }
    return hasStop;
  }
}

/**
 * Opens evidence that belongs to no receipt for certain and evaluates, in the same transaction, every statement
 * that it makes untrue (rule 10).
 *
 * @param zone the site's, for the trail
 * @param before what is done first, in the same transaction
 */
export async function openUnowned(
  database: OpenDatabase,
  clock: Clock,
  zone: string,
  statements: StatementsService,
  discrepancy: NewDiscrepancy,
  before: (trx: Trx) => Promise<void>,
): Promise<void> {
  await transactLocking(database, discrepancy.site, async (trx, locks) => {
    const now = clock.now();
    const inDoubt = await lockInDoubt(trx, locks, statements, discrepancy.site, [
      discrepancy.scope ?? {},
    ]);
    await before(trx);
    await openDiscrepancy(trx, { ...discrepancy, openedAt: now }, zone);
    for (const id of inDoubt) await statements.evaluateInTransaction(trx, id, now);
  });
}

/** Receipts in doubt that are evaluated in the transaction that stores the evidence, see `lockInDoubt`. */
export const IN_DOUBT_AT_ONCE = 64;

/**
 * Locks the conforming receipts that evidence of these scopes could belong to, and the site's evidence behind
 * them. The caller stores the evidence and evaluates each of those returned, in order.
 *
 * The scope may cover whatever the site ever received, and a transaction that evaluates tens of thousands takes minutes,
 * in which no other stop gets through. So those above `IN_DOUBT_AT_ONCE` are marked due instead, in the same transaction:
 * from its commit on no *conforms* of theirs leaves, whoever asks has them evaluated, and the next rounds stop them.
 */
export async function lockInDoubt(
  trx: Trx,
  locks: ReceiptLocks,
  statements: StatementsService,
  site: string,
  scopes: Iterable<EvidenceScope>,
): Promise<string[]> {
  const all = [...scopes];
  const find = async () => {
    const ids = new Set<string>();
    for (const scope of all) {
      for (const id of await statements.conformingInScope(trx, scope)) ids.add(id);
    }
    return [...ids].sort();
  };
  const inDoubt = await find();
  await locks.add(inDoubt);
  await locks.evidence();
  // One may have come to conform before the evidence was locked; from here on none can.
  const settled = dialectOf(trx).isShared ? await find() : inDoubt;
  await locks.add(settled);
  await markEvaluationDue(trx, site, settled.slice(IN_DOUBT_AT_ONCE));
  return settled.slice(0, IN_DOUBT_AT_ONCE);
}
