import type { JSX } from 'preact';
import type { InspectionsView } from '../receipts/inspection-view.js';
import { ATTRIBUTE_WORDS } from './inspection-plans.js';
import { momentOf } from './local-time.js';
import { Moment } from './marks.js';
import { inPlainWords } from './plain-text.js';
import { inspectionLiftPath } from './receipt-path.js';
import { Verbatim } from './verbatim.js';

/** Counts of a receipt, each with its signature and with what lifted it, or the way to have it lifted. */
export function CountTable(props: {
  readonly counts: InspectionsView['inspections'];
  readonly view: InspectionsView;
  readonly timeZone: string;
  /** Whether each leads to the page that lifts it; not on that page. */
  readonly leadsToLift?: boolean;
}): JSX.Element {
  const { counts, view, timeZone, leadsToLift = true } = props;
  const { signatures } = view;
  if (counts.length === 0) return <p class="none">Nothing yet.</p>;
  return (
    <table>
      <thead>
        <tr>
          <th scope="col">Looked at</th>
          <th scope="col">Nonconforming</th>
          <th scope="col">Inspected</th>
          <th scope="col">Signed</th>
        </tr>
      </thead>
      <tbody>
        {counts.map((entry) => {
          const signature = signatures.find((s) => s.signatureId === entry.signatureId);
          return (
            <tr key={entry.id}>
              <th scope="row">{ATTRIBUTE_WORDS[entry.attribute]}</th>
              <td data-label="Nonconforming">
                <strong>{entry.nonconforming}</strong> of {entry.inspected}
                {leadsToLift && view.liftable.includes(entry.id) ? (
                  <p class="small">
                    <a href={inspectionLiftPath(view.receiptId, entry.id)}>
                      It was entered wrongly
                    </a>
                  </p>
                ) : null}
              </td>
              <td data-label="Inspected">
                <Verbatim>{entry.inspectedBy}</Verbatim>,{' '}
                <Moment at={momentOf(entry.inspectedAt, timeZone)} />
              </td>
              <td data-label="Signed">
                {signature === undefined ? (
                  <span class="tone-bad">The signature is gone.</span>
                ) : (
                  <>
                    <strong>{signature.meaning}</strong> by{' '}
                    <Verbatim>{signature.printedName}</Verbatim>,{' '}
                    <Moment at={momentOf(signature.at, signature.zone)} />
                    <p class="small">
                      <Verbatim>{inPlainWords(signature.reason, timeZone)}</Verbatim>
                    </p>
                  </>
                )}
                {entry.lift === undefined ? null : <Lifted lift={entry.lift} view={view} />}
              </td>
            </tr>
          );
        })}
      </tbody>
    </table>
  );
}

type Lift = NonNullable<InspectionsView['inspections'][number]['lift']>;

function Lifted(props: { readonly lift: Lift; readonly view: InspectionsView }): JSX.Element {
  const { lift, view } = props;
  if (!lift.isValid) {
    return <p class="tone-bad">What lifted it is not as it was signed: it counts.</p>;
  }
  const signature = view.signatures.find((s) => s.signatureId === lift.signatureId);
  return (
    <>
      <p>
        <strong>Lifted</strong> by <Verbatim>{lift.printedName}</Verbatim>
        {signature === undefined ? null : (
          <>
            , <Moment at={momentOf(signature.at, signature.zone)} />
          </>
        )}
        : it counts for nothing.
      </p>
      <p class="small">
        <Verbatim>{lift.reason}</Verbatim>
      </p>
    </>
  );
}
