import type { JSX } from 'preact';
import type { Components } from '../signatures/signature.js';
import type { ReviewAct, ReviewOption } from '../statements/result-review.js';
import type { ReviewView } from '../statements/review-view.js';
import { Field, OwnForm } from './form-parts.js';
import { reviewPath } from './review-path.js';
import { SigningFields } from './signing-fields.js';

/** What a signer needs for the form; null for who may not sign. */
export interface ReviewSigner {
  readonly formToken: string;
  readonly components: Components;
}

const WORDS: Readonly<Record<ReviewAct, string>> = { clear: 'Clear it', refuse: 'Refuse it' };

/** Both acts with what they would do, and what a signature takes. */
export function ReviewForm(props: {
  readonly view: ReviewView;
  readonly signer: ReviewSigner | null;
}): JSX.Element {
  const { view, signer } = props;
  const { clear, refuse } = view.options;
  if (signer === null || !(clear.possible || refuse.possible)) {
    return (
      <>
        <Option act="clear" option={clear} />
        <Option act="refuse" option={refuse} />
        {signer === null ? <p>Reviewers who are signed in decide here.</p> : null}
      </>
    );
  }
  return (
    <OwnForm action={reviewPath(view.rowId)} token={signer.formToken} class="form review-form">
      <input type="hidden" name="shown" value={view.sha256} />
      <fieldset>
        <legend>Decision</legend>
        <Option act="clear" option={clear} isChoice />
        <Option act="refuse" option={refuse} isChoice />
      </fieldset>
      <Field
        id="reason"
        name="reason"
        label="Reason"
        hint="Part of the signature: what answers the findings, and where it is recorded."
      />
      <SigningFields components={signer.components} />
      <p class="small">
        Your signature means what you chose above and is shown wherever the result is.
      </p>
    </OwnForm>
  );
}

function Option(props: {
  readonly act: ReviewAct;
  readonly option: ReviewOption;
  readonly isChoice?: boolean;
}): JSX.Element {
  const { act, option, isChoice = false } = props;
  const id = `act-${act}`;
  const words = option.possible
    ? `Then ${option.effects.join('; ')}.`
    : `Not open: ${option.because.join('; ')}.`;
  return (
    <div class="choice">
      {isChoice ? (
        <input type="radio" id={id} name="act" value={act} disabled={!option.possible} required />
      ) : (
        <span />
      )}
      {isChoice ? <label for={id}>{WORDS[act]}</label> : <strong>{WORDS[act]}</strong>}
      <span class="small">{words}</span>
    </div>
  );
}
