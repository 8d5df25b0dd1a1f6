import type { JSX } from 'preact';
import type { HeldBundle } from '../statements/bundle-review-view.js';
import { momentOf } from './local-time.js';
import { Moment } from './marks.js';
import { bundleReviewPath } from './review-path.js';
import { Verbatim } from './verbatim.js';

/** Bundles that are held, each with the page on which it may be refused. */
export function HeldBundles(props: {
  readonly bundles: readonly HeldBundle[];
  readonly timeZone: string;
}): JSX.Element {
  return (
    <table>
      <caption>Held bundles, oldest first</caption>
      <thead>
        <tr>
          <th scope="col">Bundle</th>
          <th scope="col">Instrument</th>
          <th scope="col">Received</th>
          <th scope="col">Held by</th>
        </tr>
      </thead>
      <tbody>
        {props.bundles.map((b) => (
          <tr key={b.rowId}>
            <th scope="row">
              <a href={bundleReviewPath(b.rowId)}>
                <Verbatim>{b.bundleId ?? b.rowId}</Verbatim>
              </a>
            </th>
            <td data-label="Instrument">
              <Verbatim>{b.instrument ?? 'none named'}</Verbatim>
            </td>
            <td data-label="Received">
              <Moment at={momentOf(b.receivedAt, props.timeZone)} />
            </td>
            <td data-label="Held by">{b.heldBy.join(', ')}</td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}
