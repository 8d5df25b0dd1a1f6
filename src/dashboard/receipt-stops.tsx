import type { JSX } from 'preact';
import type { StopLiftView, StopView } from '../statements/stop-lift-view.js';
import { Field } from './form-parts.js';
import { momentOf } from './local-time.js';
import { Moment, StopMark } from './marks.js';
import { inPlainWords } from './plain-text.js';
import { stopLiftPath } from './receipt-path.js';
import { SignedForm } from './review-form.js';
import type { Signer } from './sign-form.js';
import { SignatureCover } from './signature-cover.js';
import { Verbatim } from './verbatim.js';

/** Every stop of a receipt, the latest first, with what became of it, and the form that lifts the one in force. */
export function ReceiptStops(props: {
  readonly stops: StopLiftView;
  readonly signer: Signer | null;
  readonly timeZone: string;
}): JSX.Element {
  const { stops: view, signer, timeZone } = props;
  const because = view.lift.because.map((text) => inPlainWords(text, timeZone));
  const option = { ...view.lift, because };
  return (
    <>
      <ul class="signatures">
        {view.stops.toReversed().map((stop) => (
          <li key={stop.stopId}>
            <p>
              <StopMark kind={stop.kind} /> issued <Moment at={momentOf(stop.issuedAt, timeZone)} />{' '}
              with revision {stop.statementRevision};{' '}
              {stop.effectiveAt === null ? (
                <strong>not effective yet</strong>
              ) : (
                <>
                  effective <Moment at={momentOf(stop.effectiveAt, timeZone)} />
                </>
              )}
              .
            </p>
            <p class="small">
              <Verbatim>{inPlainWords(stop.reason, timeZone)}</Verbatim>
            </p>
            <Told stop={stop} timeZone={timeZone} />
            {stop.liftedAt === null ? (
              <p>
                <strong>In force.</strong>
              </p>
            ) : (
              <p>
                Lifted <Moment at={momentOf(stop.liftedAt, timeZone)} /> by{' '}
                <Verbatim>{stop.signature?.printedName ?? 'nobody'}</Verbatim>, investigation{' '}
                <Verbatim>{stop.investigation ?? ''}</Verbatim>:{' '}
                <Verbatim>{stop.signature?.reason ?? ''}</Verbatim>
              </p>
            )}
          </li>
        ))}
      </ul>
      {view.inForce === null || view.sha256 === null ? null : (
        <SignedForm
          action={stopLiftPath(view.receiptId)}
          shown={view.sha256}
          acts={[{ act: 'lift', words: 'Lift it', option }]}
          signer={signer}
          name="stop"
          whoMay="Quality signers who are signed in lift a stop here."
          reasonHint="Part of the signature: what the investigation found."
          meaning="Your signature names every stop that is in force above, and is shown with them."
        >
          <input type="hidden" name="stop" value={view.inForce} />
          <Field id="investigation" name="investigation" label="Investigation number" />
        </SignedForm>
      )}
      {view.shown === null || view.sha256 === null ? null : (
        <SignatureCover shown={view.shown} sha256={view.sha256} />
      )}
    </>
  );
}

/** When each destination was told and answered, and who was told over the second channel. */
function Told(props: { readonly stop: StopView; readonly timeZone: string }): JSX.Element {
  const { stop, timeZone } = props;
  return (
    <ul>
      {stop.told.map((told) => (
        <li key={told.destination}>
          <strong>
            <Verbatim>{told.destination}</Verbatim>
          </strong>
          : {told.firstSentAt === null ? null : <Tries count={told.attempts} />}
          <When what="told" at={told.firstSentAt} timeZone={timeZone} />,{' '}
          <When what="answered" at={told.acceptedAt} timeZone={timeZone} />,{' '}
          <When what="showed it" at={told.confirmedAt} timeZone={timeZone} />
          {told.reason === null ? '' : `; ${told.reason}`}.
        </li>
      ))}
      {stop.escalations.map((e) => (
        <li key={e.number}>
          Second channel, {e.number}: {e.channel} to <Verbatim>{e.person}</Verbatim> (
          <Verbatim>{e.recipient}</Verbatim>) <Moment at={momentOf(e.at, timeZone)} />,{' '}
          <strong>{e.outcome}</strong>
          {e.confirmedAt === null ? null : (
            <>
              {' '}
              <Moment at={momentOf(e.confirmedAt, timeZone)} />
            </>
          )}
          : {e.why}
          {e.detail === null ? '' : `; ${e.detail}`}.
        </li>
      ))}
    </ul>
  );
}

function Tries({ count }: { readonly count: number }): JSX.Element | null {
  return count > 1 ? <>in {count} attempts </> : null;
}

function When(props: {
  readonly what: string;
  readonly at: string | null;
  readonly timeZone: string;
}): JSX.Element {
  if (props.at === null) return <>not {props.what} yet</>;
  return (
    <>
      {props.what} <Moment at={momentOf(props.at, props.timeZone)} />
    </>
  );
}
