import type { Instant } from '../formats/instant.js';
import { lockReceipts, lockSiteEvidence } from '../receipts/facts.store.js';
import type { EvidenceScope } from '../reconciliation/discrepancies.js';
import { openDiscrepancy } from '../reconciliation/discrepancies.store.js';
import type { StatementsService } from '../statements/statements.service.js';
import type { Trx } from '../storage/database.js';

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
    private readonly site: string,
    private readonly statements: StatementsService,
  ) {}

  async open(trx: Trx, bytes: UnreadableBytes, now: Instant): Promise<void> {
    const scope: EvidenceScope = { to: bytes.receivedAt };
    const inDoubt = await this.statements.conformingInScope(trx, scope);
    await lockReceipts(trx, this.site, inDoubt);
    await lockSiteEvidence(trx, this.site);
    await openDiscrepancy(trx, {
      site: this.site,
      class: 'unreadable',
      subject: `bundle:${bytes.id}`,
      receiptId: null,
      containerLabel: null,
      destination: null,
      scope,
      detail: `bytes taken in under ${bytes.id} cannot be read: ${bytes.message}`,
      openedAt: now,
    });
    for (const id of inDoubt) await this.statements.evaluateInTransaction(trx, id, now);
  }
}
