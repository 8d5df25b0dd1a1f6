import {
  AQLS,
  type Aql,
  CODE_LETTERS,
  INSPECTION_LEVELS,
  type InspectionLevel,
  MASTER_ROWS,
} from './published-plans.js';

/**
 * Single sampling by attributes for the labels and the damage of a receipt's containers (ISO 2859-1, normal
 * inspection). Never for identity: its acceptance numbers let faulty ones pass, and one wrong container is one too many
 * (rule 4). Switching to tightened or reduced inspection needs the history of lots and is not done here.
 */
export interface AttributePlan {
  /** Code letter of the row that was used, arrows followed. */
  readonly letter: string;
  /** Containers to look at. */
  readonly n: number;
  /** Accepted with at most so many faulty ones. */
  readonly accept: number;
  readonly reject: number;
  /** The plan asks for as many as there are, or more. */
  readonly isWholeLot: boolean;
}

export type AttributePlanAnswer =
  | { readonly ok: true; readonly plan: AttributePlan }
  | { readonly ok: false; readonly message: string };

export const ATTRIBUTE_SOURCE =
  'MIL-STD-105E tables I and II-A, single sampling, normal inspection (as ISO 2859-1; its 1999 edition differs in details)';

/** @throws RangeError when the lot is no whole number of at least 1. */
export function attributePlan(lot: number, level: InspectionLevel, aql: Aql): AttributePlanAnswer {
  if (!Number.isSafeInteger(lot) || lot < 1) {
    throw new RangeError(`expected a whole number of containers, found ${lot}`);
  }
  const letters = CODE_LETTERS.find(([upTo]) => lot <= upTo)?.[1] ?? '';
  const letter = letters[INSPECTION_LEVELS.indexOf(level)] ?? '';
  const at = MASTER_ROWS.findIndex((row) => row.letter === letter);
  if (at === -1) {
    const message = `level ${level} for ${lot} containers leads to code letter ${letter}, which the table here does not hold`;
    return { ok: false, message };
  }
  const column = AQLS.indexOf(aql);
  let row = at;
  let cell = MASTER_ROWS[row]?.cells[column];
  // An arrow is followed in its own direction to the first plan; the tables end every run of arrows in one.
  const step = cell === 'up' ? -1 : 1;
  while (typeof cell === 'string') {
    row += step;
    cell = MASTER_ROWS[row]?.cells[column];
  }
  const found = MASTER_ROWS[row];
  if (found === undefined || cell === undefined) {
    throw new Error(`the arrows of AQL ${aql} from row ${letter} lead out of the table`);
  }
  const n = Math.min(found.size, lot);
  const plan = { letter: found.letter, n, accept: cell, reject: cell + 1 };
  return { ok: true, plan: { ...plan, isWholeLot: found.size >= lot } };
}
