import { isDeepStrictEqual } from 'node:util';
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

/** What the models say of a receipt too. */
export function said({ outcome, stopInForce }: StatementRecord) {
  return { outcome, isStopped: stopInForce !== null };
}

/** The statement once nothing is on its way; one that is not as expected yet is waited for. */
export async function settledStatement(
  world: GatewayWorld,
  id: string,
  expected: ReturnType<typeof said>,
): Promise<StatementRecord> {
  const first = await world.statement(id);
  if (isDeepStrictEqual(said(first), expected)) return first;
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
