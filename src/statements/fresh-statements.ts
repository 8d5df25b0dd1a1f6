import type { StatementRecord } from '../records/statement-record.js';

/** Answers with the statement as of now, or null when it cannot be given against the last committed event. */
export abstract class FreshStatements {
  abstract fresh(receiptId: string, caller: string): Promise<StatementRecord | null>;
}
