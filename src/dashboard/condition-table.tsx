import type { JSX } from 'preact';
import type { EvidenceReference } from '../records/statement-record.js';
import { decisionPath } from './decision-source.js';
import { ConditionMark } from './marks.js';
import type { ConditionView } from './receipt-view.js';
import { Verbatim } from './verbatim.js';

/** Evidence of one condition beyond this is counted, not listed; the statement itself lists all. */
const EVIDENCE_SHOWN_MAX = 40;

/** Every condition of a statement, in its order, met or not, with what was found and on what evidence. */
export function ConditionTable({
  conditions,
}: {
  readonly conditions: readonly ConditionView[];
}): JSX.Element {
  return (
    <table class="wide-table conditions-table">
      <caption>Conditions and evidence</caption>
      <thead>
        <tr>
          <th scope="col">Condition</th>
          <th scope="col">State</th>
          <th scope="col">Found</th>
          <th scope="col">Evidence</th>
        </tr>
      </thead>
      <tbody>
        {conditions.map((condition) => (
          <tr key={condition.title}>
            <th scope="row">{condition.title}</th>
            <td data-label="State">
              <ConditionMark state={condition.state} />
            </td>
            <td data-label="Found">
              {condition.found}
              {condition.next === null ? null : <p class="small next">{condition.next}</p>}
            </td>
            <td data-label="Evidence">
              <Evidence evidence={condition.evidence} elsewhere={condition.evidenceIn} />
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

function Evidence(props: {
  readonly evidence: readonly EvidenceReference[];
  readonly elsewhere: 'containers' | 'deliveries' | null;
}): JSX.Element {
  const { evidence, elsewhere } = props;
  if (evidence.length === 0 && elsewhere !== null) {
    return <a href={`#${elsewhere}`}>see {elsewhere}</a>;
  }
  if (evidence.length === 0) return <span class="none">none</span>;
  const shown = evidence.slice(0, EVIDENCE_SHOWN_MAX);
  return (
    <ul class="evidence">
      {shown.map((item) => (
        <li key={`${item.kind} ${item.id}`}>
          <span class="kind">{item.kind}</span>{' '}
          <code>
            {item.kind === 'decision' ? (
              <a href={decisionPath(item.id)}>
                <Verbatim>{item.id}</Verbatim>
              </a>
            ) : (
              <Verbatim>{item.id}</Verbatim>
            )}
          </code>
        </li>
      ))}
      {evidence.length > shown.length ? <li>{evidence.length - shown.length} more</li> : null}
    </ul>
  );
}
