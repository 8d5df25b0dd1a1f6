import { compareDecimals } from '../formats/decimal.js';
import { type KnownIds, unknownDecision, unknownId } from './known-ids.js';
import { methodDateFaults } from './method-date-rules.js';
import type { DocumentPath, RuleFault } from './site-fault.js';
import type { MethodEntry } from './site-file.js';
import { outside, treatmentFaults } from './treatment-rules.js';

/** References, approvals and numbers of one method. */
export function methodFaults(method: MethodEntry, index: number, known: KnownIds): RuleFault[] {
  const at = (...rest: DocumentPath): DocumentPath => ['methods', index, ...rest];
  const faults = [...unknownId(known.materials, method.material, at('material'), 'material')];
  for (const [entry, approval] of method.approvals.entries()) {
    faults.push(
      ...unknownDecision(
        known,
        approval.decision,
        at('approvals', entry, 'decision'),
        'method-approvals',
      ),
    );
    if (approval.material !== method.material) {
      faults.push({
        path: at('approvals', entry, 'material'),
        rule: 'approval-of-other-material',
        message: `method ${method.id} identifies ${method.material} and is approved for ${approval.material}`,
        remedy:
          'A method proves only the material it identifies: approve one made for that material.',
      });
    }
  }
  if (method.notRecomputable !== undefined) {
    const path = at('notRecomputable');
    const rule = 'method-not-recomputable';
    faults.push(...unknownDecision(known, method.notRecomputable, path, rule));
  }
  faults.push(
    ...methodDateFaults(method, index, known),
    ...numberFaults(method, at),
    ...treatmentFaults(method, at),
  );
  if (method.algorithm !== 'undisclosed' && method.reference === null) {
    faults.push({
      path: at('reference'),
      rule: 'method-without-reference',
      message: `method ${method.id} is recomputed by ${method.algorithm} and names no reference`,
      remedy: 'Name the reference spectrum, a two-column CSV in the site folder.',
    });
  }
  return faults;
}

function numberFaults(
  method: MethodEntry,
  at: (...rest: DocumentPath) => DocumentPath,
): RuleFault[] {
  const faults: RuleFault[] = [];
  const fault = (key: string, message: string, remedy: string) =>
    faults.push({ path: at(key), rule: 'method-numbers', message, remedy });
  const { threshold, scoreTolerance, range, gridStep, derivative } = method;
  if (outside(threshold, '0', '1') || Number(threshold) === 0) {
    fault('threshold', `threshold is ${threshold}, expected above 0 and at most 1`, 'Correct it.');
  }
  if (outside(scoreTolerance, '0', '0.1')) {
    fault(
      'scoreTolerance',
      `scoreTolerance is ${scoreTolerance}, expected 0 to 0.1`,
      'Correct it.',
    );
  }
  if (compareDecimals(range.from, range.to) >= 0 || Number(range.from) < 0) {
    fault(
      'range',
      `range runs from ${range.from} to ${range.to} cm-1`,
      'Let it rise from 0 or above.',
    );
  } else if (
    Number(gridStep) <= 0 ||
    (Number(range.to) - Number(range.from)) / Number(gridStep) > 20_000
  ) {
    fault(
      'gridStep',
      `a gridStep of ${gridStep} cm-1 divides the range into no or more than 20000 steps`,
      'Choose a step near the spacing of the spectra.',
    );
  }
  if (derivative && !isFilter(derivative)) {
    fault(
      'derivative',
      `${derivative.points} points, polynomial order ${derivative.polynomialOrder}, derivative ${derivative.order} is no Savitzky-Golay filter`,
      'Choose an odd number of points above the polynomial order, and an order of derivative up to it.',
    );
  }
  return faults;
}

function isFilter(filter: NonNullable<MethodEntry['derivative']>): boolean {
  return (
    filter.points % 2 === 1 &&
    filter.polynomialOrder < filter.points &&
    filter.order <= filter.polynomialOrder
  );
}
