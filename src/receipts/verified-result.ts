import type { ResultRow } from '../storage/tables.js';

/** What a person read off container and receipt, not what the record says. */
export interface SeenLabels {
  readonly container: string;
  readonly receipt: string;
}

/** What the labels of a result are compared by. */
export type VerifiedResult = Pick<
  ResultRow,
  | 'id'
  | 'result_id'
  | 'revision'
  | 'operator_id'
  | 'receipt_id'
  | 'receipt_scanned'
  | 'container_scanned'
  | 'container_label'
  | 'record'
>;
