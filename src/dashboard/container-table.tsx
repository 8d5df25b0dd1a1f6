import type { JSX } from 'preact';
import type { StatementContainer } from '../records/statement-record.js';
import { ContainerMark } from './marks.js';
import { rejectionPath } from './receipt-path.js';
import { tracePath } from './trace-path.js';
import { Verbatim } from './verbatim.js';

/** The containers a statement lists; it says nothing of any other. */
export function ContainerTable(props: {
  readonly containers: readonly StatementContainer[];
  readonly receiptId: string;
  /** Labels of those that are rejected and not split off. */
  readonly rejected: ReadonlySet<string>;
  /** Whether whoever looks may reject one. */
  readonly mayReject: boolean;
}): JSX.Element {
  const { containers, receiptId, rejected, mayReject } = props;
  if (containers.length === 0) return <p class="none">No containers listed.</p>;
  return (
    <table class="wide-table">
      <thead>
        <tr>
          <th scope="col">Container</th>
          <th scope="col">State</th>
          <th scope="col">In the plan</th>
          <th scope="col">Results</th>
        </tr>
      </thead>
      <tbody>
        {containers.map((container) => (
          <tr key={container.label}>
            <th scope="row">
              <Verbatim>{container.label}</Verbatim>
              {mayReject && !rejected.has(container.label) ? (
                <span class="small">
                  {' '}
                  <a href={rejectionPath(receiptId, container.label)}>Reject it</a>
                </span>
              ) : null}
            </th>
            <td data-label="State">
              <ContainerMark state={container.state} />
              {rejected.has(container.label) ? (
                <a class="small tone-bad" href={rejectionPath(receiptId, container.label)}>
                  rejected, not split off
                </a>
              ) : null}
            </td>
            <td data-label="In the plan">{container.required ? 'yes' : 'no'}</td>
            <td data-label="Results">
              {container.resultIds.length === 0 ? (
                <span class="none">none</span>
              ) : (
                <ul class="evidence">
                  {container.resultIds.map((id) => (
                    <li key={id}>
                      <a href={tracePath(id)}>
                        <Verbatim>{id}</Verbatim>
                      </a>
                    </li>
                  ))}
                </ul>
              )}
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}
