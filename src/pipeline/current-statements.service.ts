import { setTimeout as wait } from 'node:timers/promises';
import type { StatementRecord } from '../records/statement-record.js';
import { FreshStatements } from '../statements/fresh-statements.js';
import type { StatementsService } from '../statements/statements.service.js';
import type { BundlesService } from './bundles.service.js';
import type { RecoveryService } from './recovery.service.js';

const WAIT_MS_MAX = 2_000;
const LOOK_EVERY_MS = 10;

/**
 * A statement against the last committed event: what was taken in before the question counts, also when
 * the checks have not looked at it yet, so the answer waits for them, and is none when they take too long.
 */
export class CurrentStatements extends FreshStatements {
  constructor(
    private readonly statements: StatementsService,
    private readonly bundles: Pick<BundlesService, 'lastWaiting' | 'isSettledThrough'>,
    private readonly recovery: Pick<RecoveryService, 'isRecovering'>,
    /** True while an acting destination changed, or differs in many records (rules 20 and 27). */
    private readonly holdsConforms: () => Promise<boolean>,
  ) {
    super();
  }

  async fresh(receiptId: string, caller: string): Promise<StatementRecord | null> {
    // What was stopped after the backup is not known yet: no answer rather than one from before (rule 28).
    if (await this.recovery.isRecovering()) return null;
    const giveUpAt = performance.now() + WAIT_MS_MAX;
    // What is taken in from here on is not waited for: under a steady stream the answer would never come.
    const last = await this.bundles.lastWaiting();
    while (last !== null && !(await this.bundles.isSettledThrough(last))) {
      if (performance.now() >= giveUpAt) return null;
      await wait(LOOK_EVERY_MS);
    }
    const statement = await this.statements.fresh(receiptId, caller);
    // A conforms that stands takes no stop, and nobody is told it anew while its destination is in doubt.
    const isHeld = statement.outcome === 'conforms' && (await this.holdsConforms());
    return isHeld ? null : statement;
  }
}
