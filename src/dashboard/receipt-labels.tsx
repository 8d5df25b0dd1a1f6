import type { JSX } from 'preact';
import type { LabelsOfResult } from '../statements/label-review-view.js';
import { labelsPath } from './review-path.js';
import { Verbatim } from './verbatim.js';
import { entryWords } from './wording.js';

/** Results of a receipt whose labels were not both scanned: who compared them, or the way to do it. */
export function ReceiptLabels(props: { readonly labels: readonly LabelsOfResult[] }): JSX.Element {
  return (
    <table>
      <thead>
        <tr>
          <th scope="col">Container and result</th>
          <th scope="col">Receipt label</th>
          <th scope="col">Container label</th>
          <th scope="col">Compared</th>
        </tr>
      </thead>
      <tbody>
        {props.labels.map((of) => (
          <tr key={of.rowId}>
            <th scope="row">
              <Verbatim>{of.container}</Verbatim>{' '}
              <span class="small">
                <Verbatim>{of.resultId}</Verbatim>
              </span>
            </th>
            <td data-label="Receipt label">{entryWords(of.receiptEntry)}</td>
            <td data-label="Container label">{entryWords(of.containerEntry)}</td>
            <td data-label="Compared">
              {of.comparedBy === null ? (
                <a href={labelsPath(of.rowId)}>Compare them</a>
              ) : (
                <a href={labelsPath(of.rowId)}>
                  by <Verbatim>{of.comparedBy.printedName}</Verbatim>
                </a>
              )}
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}
