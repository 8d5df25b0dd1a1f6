import type { JSX } from 'preact';
import type { HeldBundle } from '../statements/bundle-review-view.js';
import { momentOf } from './local-time.js';
import { Moment } from './marks.js';
import { bundleReviewPath } from './review-path.js';
import { Verbatim } from './verbatim.js';

/** Bundles on the page of what is held; it says when there are more. */
export const HELD_SHOWN_MAX = 100;

/** Bundles that are held, each with the page on which it may be refused. */
export function HeldBundles(props: {
  readonly bundles: readonly HeldBundle[];
  readonly timeZone: string;
}): JSX.Element {
  const shown = props.bundles.slice(0, HELD_SHOWN_MAX);
  return (
    <>
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
          {shown.map((b) => (
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
      {props.bundles.length > shown.length ? (
        <p>
          There are more bundles than have room here; they follow once these are not held any more.
        </p>
      ) : null}
    </>
  );
}
