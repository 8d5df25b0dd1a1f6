import type { JSX } from 'preact';
import type { InspectionsView } from '../receipts/inspection-view.js';
import type { InspectedAttribute } from '../site/site-folder.js';
import { decisionPath } from './decision-source.js';
import { InspectionMark } from './marks.js';
import { Verbatim } from './verbatim.js';

export const ATTRIBUTE_WORDS: Readonly<Record<InspectedAttribute, string>> = {
  labels: 'Labels',
  damage: 'Damage',
};

/** What a receipt's plans for labels and damage ask for, and what they say of the counts so far. */
export function InspectionPlans({ view }: { readonly view: InspectionsView }): JSX.Element {
  return (
    <table>
      <thead>
        <tr>
          <th scope="col">Looked at</th>
          <th scope="col">To inspect</th>
          <th scope="col">Nonconforming</th>
          <th scope="col">So far</th>
          <th scope="col">Plan</th>
        </tr>
      </thead>
      <tbody>
        {view.plans.map((plan) => (
          <tr key={`${plan.attribute} ${plan.level} ${plan.aql} ${plan.state}`}>
            <th scope="row">{ATTRIBUTE_WORDS[plan.attribute]}</th>
            <td data-label="To inspect">
              {plan.n === null ? (
                <span class="none">–</span>
              ) : (
                <>
                  <strong>{plan.n}</strong> of {view.containers} containers
                </>
              )}
            </td>
            <td data-label="Nonconforming">
              {plan.accept === null ? (
                <span class="none">–</span>
              ) : (
                <>
                  {acceptWords(plan.accept)}, rejected from {plan.reject}
                </>
              )}
            </td>
            <td data-label="So far">
              <InspectionMark state={plan.state} />
            </td>
            <td data-label="Plan">
              Level {plan.level}, AQL {plan.aql}, by decision{' '}
              <a href={decisionPath(plan.decision)}>
                <Verbatim>{plan.decision}</Verbatim>
              </a>
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

function acceptWords(accept: number): string {
  return accept === 0 ? 'none accepted' : `up to ${accept} accepted`;
}
