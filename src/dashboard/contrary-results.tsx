import type { JSX } from 'preact';
import type { CauseStanding, ContraryResultView } from './receipt-view.js';
import { causePath } from './review-path.js';
import { Verbatim } from './verbatim.js';

/** Results on the page of a receipt that speak against it; it says when there are more. */
export const CONTRARY_SHOWN_MAX = 500;

const CAUSES: Readonly<Record<CauseStanding, string>> = {
  none: 'no cause is signed',
  signed: 'what caused it is signed',
  void: 'what was signed of its cause is void: it counts as if nobody had signed',
};

/** Results that speak against the receipt, each with the page of its series and its cause. */
export function ContraryResults(props: {
  readonly results: readonly ContraryResultView[];
}): JSX.Element {
  const shown = props.results.slice(0, CONTRARY_SHOWN_MAX);
  return (
    <>
      <ul class="group">
        {shown.map((result) => (
          <li key={result.rowId}>
            <a href={causePath(result.rowId)}>
              <Verbatim>{result.name}</Verbatim>
            </a>{' '}
            says <strong>{result.decision ?? 'nothing readable'}</strong> and is {result.state};{' '}
            {CAUSES[result.cause]}.
          </li>
        ))}
      </ul>
      {props.results.length > shown.length ? (
        <p class="late">
          More speak against the receipt than the {shown.length} that have room here, in the order
          they were stored.
        </p>
      ) : null}
    </>
  );
}
