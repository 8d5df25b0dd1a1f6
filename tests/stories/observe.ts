import { isDeepStrictEqual } from 'node:util';
import { expect } from 'vitest';
import type { ConditionCode, StatementRecord } from '../../src/records/statement-record.js';
import { PERMITTING } from '../../src/simulation/books.js';
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

/** A container that a statement lists, with the results it names for it. */
export interface SpokenOf {
  readonly label: string;
  readonly resultIds: readonly string[];
}

export function spokenOf({ containers }: StatementRecord): readonly SpokenOf[] {
  return inOrder(containers.map(({ label, resultIds }) => ({ label, resultIds })));
}

/** Containers by label, their results by id. */
export function inOrder(containers: readonly SpokenOf[]): readonly SpokenOf[] {
  return containers
    .map(({ label, resultIds }) => ({ label, resultIds: [...resultIds].sort() }))
    .sort((a, b) => (a.label < b.label ? -1 : 1));
}

/**
 * Once nothing is on its way the ERP permits what conforms and nothing else: this lot, and by the message it applied last
 * exactly these drums. Read from the stand-in's own books; what is not so yet is waited for.
 */
export async function expectErpHolds(
  world: GatewayWorld,
  { receipt: { receiptId, siteLot }, outcome }: StatementRecord,
  drums: readonly string[],
  after: string,
): Promise<void> {
  const permits = { permits: true, lots: [siteLot], containers: [...drums].sort() };
  const isAsExpected = (held: ReturnType<typeof heldByErp>) =>
    outcome === 'conforms' ? isDeepStrictEqual(held, permits) : !held.permits;
  if (!isAsExpected(heldByErp(world, receiptId))) await world.quiet();
  const held = heldByErp(world, receiptId);
  if (outcome === 'conforms') expect(held, `ERP: ${after}`).toEqual(permits);
  else expect(held.permits, `ERP permits ${after}`).toBe(false);
}

/** What the message says that the ERP applied last about a receipt. */
function heldByErp({ erp }: GatewayWorld, receiptId: string) {
  const { receipts, messages } = erp.ledger.books;
  const held = receipts.get(receiptId);
  const last = messages.find(
    ({ state }) => state?.receiptId === receiptId && state.revision === held?.revision,
  );
  return {
    permits: held?.usageDecision === PERMITTING,
    lots: textsOf('Lot', last?.content ?? ''),
    containers: textsOf('Container', last?.content ?? '').sort(),
  };
}

function textsOf(element: string, xml: string): string[] {
  return [...xml.matchAll(new RegExp(`<${element}>([^<]*)</${element}>`, 'g'))].map(
    ([, text]) => text ?? '',
  );
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
