import type { RecheckTest } from './recheck.js';
import type { Found, ResultCase } from './rule.js';

/** What one test of the recheck speaks against, with the method version that declares its limits. */
export function recheckFound({ method, recheck }: ResultCase, test: RecheckTest): readonly Found[] {
  if (method === null) return [];
  const source = `${method.id} version ${method.version}`;
  return recheck.disagreements.flatMap((disagreement) =>
    disagreement.test === test
      ? [
          {
            pointer: disagreement.pointer,
            message: disagreement.message,
            numbers: { ...disagreement.numbers, source },
          },
        ]
      : [],
  );
}
