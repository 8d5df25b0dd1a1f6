import type { ResultCase, ResultRule } from '../rule.js';

/** Whether it counts is for the statement to say: only by a signature of the decision (release-safety rule 5). */
export const recheckNoTrace: ResultRule = {
  info: {
    code: 'recheck-no-trace',
    severity: 'remark',
    scope: 'result',
    needs: 'site',
    meaning:
      'The result carries no spectrum, and the registry declares that results by the method are not recomputed.',
    advice: 'Rely on the result only as far as the decision that declares it allows.',
  },
  find: (about) =>
    isDeclaredWithoutTrace(about)
      ? [{ pointer: '/spectrum', message: `${about.recheck.reason}, as the registry declares` }]
      : [],
};

/** True for a verification without any raw trace by a method whose results are declared not recomputable. */
export function isDeclaredWithoutTrace({
  method,
  result,
  spectrum,
}: Pick<ResultCase, 'method' | 'result' | 'spectrum'>): boolean {
  return (
    method?.notRecomputable !== undefined &&
    method.algorithm !== 'undisclosed' &&
    result.mode === 'verification' &&
    spectrum.kind === 'none'
  );
}
