import type { ConditionCode, StatementRecord } from '../../src/records/statement-record.js';
import type { GatewayWorld } from '../support/gateway-world.js';

/** What a statement says, and what the stand-in ERP does with it by its own books. */

export function found(statement: StatementRecord, code: ConditionCode) {
  const condition = statement.conditions.find((c) => c.code === code);
  if (!condition) throw new Error(`the statement has no condition ${code}`);
  return condition;
}

export function stateOf(statement: StatementRecord, label: string): string | undefined {
  return statement.containers.find((c) => c.label === label)?.state;
}

export function erpUsage(world: GatewayWorld, receiptId: string): string {
  return world.erp.ledger.books.receipts.get(receiptId)?.usage ?? 'none';
}

/** Usage decisions the ERP was told of a receipt, in the order they arrived. */
export function toldErp(world: GatewayWorld, receiptId: string): string[] {
  return world.erp.ledger.books.messages.flatMap(({ state }) =>
    state?.receiptId === receiptId ? [state.usageDecision] : [],
  );
}
