import type { JSX } from 'preact';
import type { ShownAct, ShownAttempt } from '../delivery/shown-delivery.js';
import { deliveryPath } from './delivery-path.js';
import { momentOf } from './local-time.js';
import { Moment } from './marks.js';
import { Verbatim } from './verbatim.js';
import { attemptWords } from './wording.js';

/** Sends and read-backs of one delivery, as they ended. */
export function AttemptTable(props: {
  readonly attempts: readonly ShownAttempt[];
  readonly timeZone: string;
}): JSX.Element {
  const { attempts, timeZone } = props;
  if (attempts.length === 0) return <p class="none">It was never sent.</p>;
  return (
    <table>
      <thead>
        <tr>
          <th scope="col">Started</th>
          <th scope="col">What</th>
          <th scope="col">Came to</th>
          <th scope="col">In words</th>
        </tr>
      </thead>
      <tbody>
        {attempts.map((a) => (
          <tr key={`${a.kind} ${a.number} ${a.startedAt}`}>
            <td data-label="Started">
              <Moment at={momentOf(a.startedAt, timeZone)} />
            </td>
            <td data-label="What">
              {a.kind === 'send' ? 'sent, attempt' : 'asked, time'} {a.number}
            </td>
            <td data-label="Came to">
              {a.outcome === null ? (
                <span class="none">no end known</span>
              ) : (
                attemptWords(a.outcome)
              )}
              {a.status === null ? '' : ` (${a.status})`}
            </td>
            <td data-label="In words">
              {a.detail === null ? '' : <Verbatim>{a.detail}</Verbatim>}
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

/** Who had what done with it, and why. */
export function ActTable(props: {
  readonly acts: readonly ShownAct[];
  readonly timeZone: string;
}): JSX.Element {
  const { acts, timeZone } = props;
  if (acts.length === 0) return <p class="none">Nothing.</p>;
  return (
    <table>
      <thead>
        <tr>
          <th scope="col">When</th>
          <th scope="col">Who</th>
          <th scope="col">What</th>
          <th scope="col">Why</th>
        </tr>
      </thead>
      <tbody>
        {acts.map((act) => (
          <tr key={act.at}>
            <td data-label="When">
              <Moment at={momentOf(act.at, timeZone)} />
            </td>
            <td data-label="Who">
              <Verbatim>{act.actor}</Verbatim>
            </td>
            <td data-label="What">
              {act.done}
              {act.madeDeliveryId === null ? null : (
                <>
                  {' '}
                  <a href={deliveryPath(act.madeDeliveryId)}>the new build</a>
                </>
              )}
            </td>
            <td data-label="Why">
              <Verbatim>{act.reason}</Verbatim>
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}
