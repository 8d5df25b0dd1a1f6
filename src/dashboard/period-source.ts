import type { PeriodDays } from '../reconciliation/period-days.js';
import type { PeriodReport } from '../reconciliation/period-report.js';
import type { PeriodRefusal } from '../reconciliation/period-rules.js';
import type { Period } from '../reconciliation/site-day.js';
import type { Components } from '../signatures/signature.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { ClosingAnswer, ClosingRequest, PeriodProposal } from '../statements/period-view.js';

/** Injection tokens of what the application binds for the pages of periods. */
export const PERIOD_SOURCE = Symbol('PERIOD_SOURCE');
export const PERIOD_VIEW_SOURCE = Symbol('PERIOD_VIEW_SOURCE');

/** Reads what is shown of days and closed periods. */
export interface PeriodViewSource {
  days(before: string | null): Promise<PeriodDays>;
  report(id: string): Promise<PeriodReport | null>;
}

/** Says what would be signed, and has it signed. */
export interface PeriodSource {
  propose(period: Period): Promise<PeriodProposal | PeriodRefusal>;
  proposeAddendum(periodId: string, number: number): Promise<PeriodProposal | null>;
  close(period: Period, request: ClosingRequest, who: SigningRequest): Promise<ClosingAnswer>;
  closeAddendum(
    periodId: string,
    number: number,
    request: ClosingRequest,
    who: SigningRequest,
  ): Promise<ClosingAnswer>;
  /** Which components the next signature of a person takes. */
  needed(accountId: string, sessionId: string): Promise<Components>;
}
