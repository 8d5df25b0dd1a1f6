import type { JSX } from 'preact';
import { Moment } from './marks.js';
import type { ReceiptRevisionView } from './receipt-view.js';
import { Verbatim } from './verbatim.js';

/** Revisions of a receipt: when each came, how, and who sent it. */
export function ReceiptHistory(props: {
  readonly history: readonly ReceiptRevisionView[];
}): JSX.Element {
  return (
    <div class="scroll">
      <table>
        <thead>
          <tr>
            <th scope="col">Revision</th>
            <th scope="col">When</th>
            <th scope="col">How it came</th>
            <th scope="col">Sent by</th>
          </tr>
        </thead>
        <tbody>
          {props.history.map(({ revision, at, how, who }) => (
            <tr key={revision}>
              <td>{revision}</td>
              <td>
                <Moment at={at} />
              </td>
              <td>
                <Verbatim>{how}</Verbatim>
              </td>
              <td class="small">
                <Verbatim>{who}</Verbatim>
              </td>
            </tr>
          ))}
        </tbody>
      </table>
    </div>
  );
}
