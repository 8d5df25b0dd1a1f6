import type { JSX } from 'preact';
import type { PossibleAct, ShownDelivery } from '../delivery/shown-delivery.js';
import type { DeliveryAct } from '../storage/tables.js';
import { deliveryPath, STOPPED_PATH } from './delivery-path.js';
import { Field, OwnForm } from './form-parts.js';
import { useSent } from './typed-form.js';
import { Verbatim } from './verbatim.js';

const ACTS: readonly DeliveryAct[] = ['resend', 'rebuild', 'retire'];

const TITLES: Readonly<Record<DeliveryAct, string>> = {
  resend: 'Resend',
  rebuild: 'Rebuild',
  retire: 'Retire',
};

/** What each does, in the words of the person who has to answer for it. */
const EFFECTS: Readonly<Record<string, string>> = {
  send: 'The same message leaves again under the same key.',
  'ask-first':
    'The destination is asked first. The same message leaves again under the same key only when it is not there.',
  rebuild:
    'A new payload is made from the record by the mapping in force and leaves under a new key, in the place of this one.',
  retire: 'It is given up, since it no longer says what stands; what waits behind it may leave.',
};

/** A form for each act that is open, and why the others are not. */
export function ActForms(props: {
  readonly delivery: ShownDelivery;
  /** null for who may only read. */
  readonly token: string | null;
}): JSX.Element {
  const { delivery, token } = props;
  const closed = ACTS.filter((act) => !delivery[act].can);
  const reasons = new Set(closed.map((act) => refusalText(delivery[act])));
  if (closed.length === ACTS.length && reasons.size === 1) {
    return (
      <section aria-labelledby="decide-title">
        <h2 id="decide-title">Decide</h2>
        <p>Nothing to decide: {[...reasons]}</p>
        <NotTaken address={deliveryPath(delivery.id)} forms={[]} />
      </section>
    );
  }
  return (
    <section aria-labelledby="decide-title">
      <h2 id="decide-title">Decide</h2>
      {ACTS.map((act) => (
        <ActForm key={act} act={act} delivery={delivery} token={token} />
      ))}
      {closed.length === 0 ? null : (
        <div>
          {closed.map((act) => (
            <p key={act}>
              <strong>{TITLES[act]}</strong> is not open: {refusalText(delivery[act])}
            </p>
          ))}
        </div>
      )}
      <NotTaken
        address={deliveryPath(delivery.id)}
        forms={ACTS.filter((act) => delivery[act].can)}
      />
    </section>
  );
}

/** What was written for an act that was refused and has no form here any more, so that nobody writes it twice. */
function NotTaken(props: {
  readonly address: string;
  /** Acts whose form stands on the page, and keeps it. */
  readonly forms: readonly DeliveryAct[];
}): JSX.Element | null {
  const sent = useSent(props.address);
  const reason = sent?.get('reason') ?? '';
  if (reason === '' || props.forms.some((act) => act === sent?.get('act'))) return null;
  return (
    <p>
      What you wrote was not taken, and is in no trail: <Verbatim>{reason}</Verbatim>
    </p>
  );
}

function ActForm(props: {
  readonly act: DeliveryAct;
  readonly delivery: ShownDelivery;
  readonly token: string | null;
}): JSX.Element | null {
  const { act, delivery, token } = props;
  const possible = delivery[act];
  if (!possible.can) return null;
  const effect = EFFECTS[possible.does];
  if (token === null) {
    return (
      <p>
        <strong>{TITLES[act]}</strong> is open to a reviewer. {effect}
      </p>
    );
  }
  return (
    <OwnForm action={deliveryPath(delivery.id)} token={token} act={act}>
      <h3>{TITLES[act]}</h3>
      <p class="small">{effect}</p>
      <input type="hidden" name="version" value={delivery.version} />
      <Field
        id={`reason-${act}`}
        name="reason"
        label="Why"
        hint="It stands in the trail under your name."
      />
      <button type="submit">{TITLES[act]}</button>
    </OwnForm>
  );
}

/** The same act for everything on this page: each is decided by itself. */
export function BulkForm(props: {
  readonly deliveries: readonly ShownDelivery[];
  readonly destination: string;
  readonly fault: string;
  readonly token: string;
}): JSX.Element | null {
  const { deliveries, destination, fault, token } = props;
  const open = ACTS.filter((act) => deliveries.some((d) => d[act].can));
  if (open.length === 0) return <NotTaken address={STOPPED_PATH} forms={[]} />;
  return (
    <section aria-labelledby="all-title">
      <h2 id="all-title">All {deliveries.length} on this page</h2>
      <OwnForm action={STOPPED_PATH} token={token}>
        <p class="small">
          Each is decided by itself; what may not be done with one is named and does not hold up the
          others.
        </p>
        <input type="hidden" name="destination" value={destination} />
        <input type="hidden" name="fault" value={fault} />
        {deliveries.map((d) => (
          <input key={d.id} type="hidden" name="delivery" value={`${d.id} ${d.version}`} />
        ))}
        <Field
          id="bulk-reason"
          name="reason"
          label="Why"
          hint="It stands in the trail under your name."
        />
        <p>
          {open.map((act) => (
            <>
              <button type="submit" name="act" value={act}>
                {TITLES[act]} all
              </button>{' '}
            </>
          ))}
        </p>
      </OwnForm>
    </section>
  );
}

function refusalText(possible: PossibleAct): string {
  return possible.can ? '' : `${possible.found}. ${possible.remedy}`;
}
