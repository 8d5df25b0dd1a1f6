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

/** The statement once nothing is on its way; what says so ends the wait for one that is not there yet. */
export async function settledStatement(
  world: GatewayWorld,
  id: string,
  outcome: string,
): Promise<StatementRecord> {
  const first = await world.statement(id);
  if (first.outcome === outcome) return first;
  await world.quiet();
  return world.statement(id);
}

/** What a statement still waits for or is contradicted by, in one line. */
export function openOf({ conditions }: StatementRecord): string {
  return conditions
    .filter((c) => c.state !== 'met')
    .map((c) => `${c.code}: ${c.found}`)
    .join(' | ');
}
