import { ExpressionPool } from '../mapping/expression.pool.js';
import { ExaminePool } from './examine.pool.js';

/** Threads for mapping expressions that are more than a path; they idle away when none runs. */
const EXPRESSION_THREADS = 1;

/** Threads and processes for what came from outside. */
export interface GatewayPools {
  readonly examining: ExaminePool;
  readonly expressions: ExpressionPool;
}

/** @param threads that examine bundles */
export function openPools(threads: number): GatewayPools {
  return {
    examining: new ExaminePool(threads),
    expressions: new ExpressionPool({ threads: EXPRESSION_THREADS }),
  };
}
