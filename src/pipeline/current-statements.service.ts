import { setTimeout as wait } from 'node:timers/promises';
import type { StatementRecord } from '../records/statement-record.js';
import { FreshStatements } from '../statements/fresh-statements.js';
import type { StatementsService } from '../statements/statements.service.js';
import type { Clock } from '../storage/clock.js';
import type { BundlesService } from './bundles.service.js';

const WAIT_MS_MAX = 2_000;
const LOOK_EVERY_MS = 10;

/**
 * A statement against the last committed event: what was taken in before the question counts, also when
 * the checks have not looked at it yet, so the answer waits for them, and is none when they take too long.
 */
export class CurrentStatements extends FreshStatements {
  constructor(
    private readonly statements: StatementsService,
    private readonly bundles: BundlesService,
    private readonly clock: Clock,
  ) {
    super();
  }

  async fresh(receiptId: string, caller: string): Promise<StatementRecord | null> {
    const asked = this.clock.now();
    const giveUpAt = performance.now() + WAIT_MS_MAX;
    while (!(await this.bundles.isSettledThrough(asked))) {
      if (performance.now() >= giveUpAt) return null;
      await wait(LOOK_EVERY_MS);
    }
    return this.statements.fresh(receiptId, caller);
  }
}
