import type { CompiledMapping, CompiledMessage, MessageContract } from './compiled-mapping.js';
import type { ExpressionPool } from './expression.pool.js';
import type { ContractError, ExpressionResult } from './expression-task.js';
import type { FieldRefusal } from './field-value.js';
import type { MappingProblem } from './mapping-problem.js';
import {
  type BuildOutcome,
  buildTree,
  type FieldInput,
  finishPayload,
  type GrownTree,
} from './payload.js';
import { emptyTree, type PayloadTree } from './payload-tree.js';
import type { Subject } from './subjects.js';

/** The same subject and mapping give the same bytes, on every machine and at every time. */
export async function buildPayload(
  mapping: CompiledMapping,
  subject: Subject,
  pool: ExpressionPool,
): Promise<BuildOutcome> {
  const message = mapping.messages.get(subject.message);
  if (!message) return { ok: false, problems: [notMapped(mapping, subject)] };
  const built = await grow(mapping, message, subject, pool);
  const broken =
    message.contract && built.problems.length === 0
      ? await contractProblems(message.contract, subject, built.tree, pool)
      : [];
  return finishPayload(mapping.document, message.mapping, subject, {
    tree: built.tree,
    problems: [...built.problems, ...broken],
  });
}

/** What the fields write, as far as they can, whatever the contract or the request say of it. */
export async function growPayload(
  mapping: CompiledMapping,
  subject: Subject,
  pool: ExpressionPool,
): Promise<PayloadTree> {
  const message = mapping.messages.get(subject.message);
  return message ? (await grow(mapping, message, subject, pool)).tree : emptyTree();
}

async function grow(
  mapping: CompiledMapping,
  message: CompiledMessage,
  subject: Subject,
  pool: ExpressionPool,
): Promise<GrownTree> {
  const inputs = await fieldInputs(message, subject, pool);
  return buildTree(mapping.document, message.mapping, subject, inputs);
}

async function fieldInputs(
  message: CompiledMessage,
  subject: Subject,
  pool: ExpressionPool,
): Promise<FieldInput[]> {
  const inputs = message.getters.map(
    (getter): FieldInput => ({ ok: true, value: getter ? getter(subject) : undefined }),
  );
  if (message.expressions.length === 0) return inputs;
  const texts = message.expressions.map(({ expression }) => expression);
  const results = await pool.evaluate(texts, JSON.stringify(subject));
  for (const [position, { field }] of message.expressions.entries()) {
    const result = results[position];
    if (result) inputs[field] = asInput(result);
  }
  return inputs;
}

function asInput(result: ExpressionResult): FieldInput {
  if (result.ok) {
    return {
      ok: true,
      value: result.json === null ? undefined : (JSON.parse(result.json) as unknown),
    };
  }
  const problem: FieldRefusal = {
    ok: false,
    code: result.code,
    detail: result.detail,
    remedy: 'Correct the expression in the mapping.',
  };
  return { ok: false, problem };
}

async function contractProblems(
  contract: MessageContract,
  subject: Subject,
  tree: PayloadTree,
  pool: ExpressionPool,
): Promise<MappingProblem[]> {
  const errors = contract.inPool ? await checkInPool(contract, tree, pool) : contract.check(tree);
  return errors.map(({ at, detail }) => ({
    code: 'contract',
    message: subject.message,
    field: at === '' ? null : at,
    expression: null,
    detail,
    remedy:
      'The payload breaks the contract with the destination: correct the mapping or the record.',
  }));
}

async function checkInPool(
  contract: MessageContract,
  tree: PayloadTree,
  pool: ExpressionPool,
): Promise<readonly ContractError[]> {
  const result = await pool.checkContract(contract.schema, tree);
  return result.ok ? result.errors : [{ at: '', detail: result.detail }];
}

function notMapped(mapping: CompiledMapping, subject: Subject): MappingProblem {
  return {
    code: 'message-not-mapped',
    message: subject.message,
    field: null,
    expression: null,
    detail: `the mapping of ${mapping.document.destination} has no ${subject.message} message`,
    remedy: 'Map the message, or do not send it there.',
  };
}
