import { dialectOf } from './dialect.js';
import type { Reader } from './handles.js';

type Queries = readonly (() => Promise<unknown>)[];
type Answers<All extends Queries> = { -readonly [I in keyof All]: Awaited<ReturnType<All[I]>> };

/**
 * Asks what does not depend on one another, in the order given. Within a transaction on a server all of it that is
 * `prepared` leaves at once and takes one way there and back instead of as many as there are queries, with whatever the
 * transaction has locked. Outside of one each would take a connection of its own, and a file answers on the spot: there
 * one comes behind the other.
 *
 * Rejects with what failed by itself, and not before all have ended: nothing goes on behind the end of the transaction.
 *
 * @param queries what one of them asks behind its first answer is in no order with its neighbours
 */
export async function sideBySide<const All extends Queries>(
  reader: Reader,
  queries: All,
): Promise<Answers<All>> {
  const answers: unknown[] = [];
  if (!reader.isTransaction || !dialectOf(reader).isShared) {
    for (const query of queries) answers.push(await query());
    return answers as Answers<All>;
  }
  const failures: unknown[] = [];
  await Promise.all(
    queries.map((query, i) =>
      query().then(
        (answer) => {
          answers[i] = answer;
        },
        (error: unknown) => failures.push(error),
      ),
    ),
  );
  if (failures.length > 0) throw failures.find((error) => !isConsequence(error)) ?? failures[0];
  return answers as Answers<All>;
}

/** The server refuses whatever comes behind a failed query: in_failed_sql_transaction (PostgreSQL, appendix A). */
function isConsequence(error: unknown): boolean {
  return error instanceof Error && 'code' in error && error.code === '25P02';
}
