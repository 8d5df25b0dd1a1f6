import type { JSX } from 'preact';
import { deliveryPath } from './delivery-path.js';
import { Moment } from './marks.js';
import type { DeliveryView } from './receipt-view.js';
import { placePath } from './review-path.js';
import { Verbatim } from './verbatim.js';

/** What was sent about this receipt, to whom, and whether the other side was asked. */
export function DeliveryTable({
  deliveries,
}: {
  readonly deliveries: readonly DeliveryView[];
}): JSX.Element {
  if (deliveries.length === 0) return <p class="none">Nothing was delivered yet.</p>;
  return (
    <table class="wide-table">
      <thead>
        <tr>
          <th scope="col">Destination</th>
          <th scope="col">Message</th>
          <th scope="col">State</th>
          <th scope="col">Accepted</th>
          <th scope="col">Confirmed</th>
          <th scope="col">Number there</th>
        </tr>
      </thead>
      <tbody>
        {deliveries.map((delivery) => (
          <Delivery key={delivery.deliveryId} delivery={delivery} />
        ))}
      </tbody>
    </table>
  );
}

function Delivery({ delivery }: { readonly delivery: DeliveryView }): JSX.Element {
  const no = <span class="none">not yet</span>;
  return (
    <tr>
      <th scope="row">{delivery.destination}</th>
      <td data-label="Message">
        <a href={deliveryPath(delivery.deliveryId)}>
          {delivery.message}, revision {delivery.revision}
        </a>
        <br />
        {delivery.resultRowId === undefined ? (
          <code>
            <Verbatim>{delivery.subject}</Verbatim>
          </code>
        ) : (
          <a href={placePath(delivery.resultRowId)}>
            <code>
              <Verbatim>{delivery.subject}</Verbatim>
            </code>
          </a>
        )}
      </td>
      <td data-label="State">
        <strong>{delivery.state}</strong>{' '}
        <span class="small">
          {delivery.attempts} {delivery.attempts === 1 ? 'attempt' : 'attempts'}
        </span>
        {delivery.reason === null ? null : <p class="small reason">{delivery.reason}</p>}
      </td>
      <td data-label="Accepted">
        {delivery.acceptedAt === null ? no : <Moment at={delivery.acceptedAt} />}
      </td>
      <td data-label="Confirmed">
        {delivery.confirmedAt === null ? no : <Moment at={delivery.confirmedAt} />}
      </td>
      <td data-label="Number there">
        {delivery.reference === null ? (
          <span class="none">none</span>
        ) : (
          <Verbatim>{delivery.reference}</Verbatim>
        )}
      </td>
    </tr>
  );
}
