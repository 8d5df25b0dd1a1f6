import jsonata from 'jsonata';
import { compileContract } from './contract.js';
import {
  type ContractResult,
  type ContractTask,
  EXPRESSION_LIMITS,
  type ExpressionResult,
  type ExpressionTask,
} from './expression-task.js';
import { remembered } from './remembered.js';

/**
 * Runs in a thread of the expression pool, with a heap limit around it and a clock outside it: whatever an
 * expression does, the thread can be ended.
 */
const expressions = new Map<string, jsonata.Expression>();

export async function evaluate(task: ExpressionTask): Promise<ExpressionResult[]> {
  const results: ExpressionResult[] = [];
  for (const [index, expression] of task.expressions.entries()) {
    task.started.postMessage(index);
    results.push(await evaluateOne(expression, task.subject));
  }
  task.started.close();
  return results;
}

export function checkContract(task: ContractTask): ContractResult {
  task.started.postMessage(0);
  try {
    const check = compileContract(task.schema);
    return { ok: true, errors: check(JSON.parse(task.tree)) };
  } catch (error) {
    return { ok: false, detail: messageOf(error) };
  } finally {
    task.started.close();
  }
}

async function evaluateOne(expression: string, subject: string): Promise<ExpressionResult> {
  let compiled: jsonata.Expression;
  try {
    compiled = remembered(expressions, expression, compile);
  } catch (error) {
    return { ok: false, code: 'expression-invalid', detail: messageOf(error) };
  }
  try {
    return bounded(await compiled.evaluate(JSON.parse(subject)));
  } catch (error) {
    return { ok: false, code: 'expression-failed', detail: messageOf(error) };
  }
}

function compile(expression: string): jsonata.Expression {
  return jsonata(expression, {
    timeout: EXPRESSION_LIMITS.evaluatorMs,
    stack: EXPRESSION_LIMITS.stackDepthMax,
    sequence: EXPRESSION_LIMITS.sequenceMax,
  });
}

function bounded(value: unknown): ExpressionResult {
  if (value === undefined || value === null) return { ok: true, json: null };
  if (typeof value === 'function') {
    return { ok: false, code: 'expression-failed', detail: 'the expression yields a function' };
  }
  const limit = EXPRESSION_LIMITS.outputCharsMax;
  const json = typeof value === 'string' && value.length > limit ? null : JSON.stringify(value);
  if (json !== null && json.length <= limit) return { ok: true, json };
  const length = json?.length ?? String(value).length;
  return {
    ok: false,
    code: 'expression-output',
    detail: `the expression yields ${length} characters, at most ${limit}`,
  };
}

/** The evaluator throws plain objects with code, position and message. */
function messageOf(error: unknown): string {
  if (typeof error !== 'object' || error === null) return String(error);
  const { message, code, position } = error as {
    message?: unknown;
    code?: unknown;
    position?: unknown;
  };
  const place = typeof position === 'number' ? ` at character ${position}` : '';
  const text = `${code === undefined ? '' : `${String(code)} `}${String(message)}${place}`;
  return text.length > 500 ? `${text.slice(0, 497)}…` : text;
}
