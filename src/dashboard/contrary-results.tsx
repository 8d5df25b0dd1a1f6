import type { JSX } from 'preact';
import type { ContraryResultView } from './receipt-view.js';
import { causePath } from './review-path.js';
import { Verbatim } from './verbatim.js';

/** Results that speak against the receipt, each with the page of its series and its cause. */
export function ContraryResults(props: {
  readonly results: readonly ContraryResultView[];
}): JSX.Element {
  return (
    <ul class="group">
      {props.results.map((result) => (
        <li key={result.rowId}>
          <a href={causePath(result.rowId)}>
            <Verbatim>{result.name}</Verbatim>
          </a>{' '}
          says <strong>{result.decision ?? 'nothing readable'}</strong> and is {result.state};{' '}
          {result.isSigned ? 'somebody signed what caused it' : 'no cause is signed'}.
        </li>
      ))}
    </ul>
  );
}
