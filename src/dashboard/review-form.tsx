import type { ComponentChildren, JSX } from 'preact';
import type { Components } from '../signatures/signature.js';
import type { ReviewAct } from '../statements/result-review.js';
import type { ReviewOption } from '../statements/review-option.js';
import type { ReviewView } from '../statements/review-view.js';
import { Field, OwnForm } from './form-parts.js';
import { reviewPath } from './review-path.js';
import { SigningFields } from './signing-fields.js';
import { useTyped } from './typed-form.js';

/** What a signer needs for the form; null for who may not sign. */
export interface ReviewSigner {
  readonly formToken: string;
  readonly components: Components;
}

const WORDS: Readonly<Record<ReviewAct, string>> = { clear: 'Clear it', refuse: 'Refuse it' };

/** Both acts about a result with what they would do, and what a signature takes. */
export function ReviewForm(props: {
  readonly view: ReviewView;
  readonly signer: ReviewSigner | null;
}): JSX.Element {
  const { view, signer } = props;
  const acts = (['clear', 'refuse'] as const).map((act) => ({
    act,
    words: WORDS[act],
    option: view.options[act],
  }));
  return (
    <SignedForm
      action={reviewPath(view.rowId)}
      shown={view.sha256}
      acts={acts}
      signer={signer}
      reasonHint="Part of the signature: what answers the findings, and where it is recorded."
      meaning="Your signature means what you chose above and is shown wherever the result is."
    />
  );
}

interface ActChoice {
  readonly act: string;
  readonly words: string;
  readonly option: ReviewOption;
}

/** A form of acts that are signed: what each would do, and what a signature takes. */
export function SignedForm(props: {
  readonly action: string;
  /** Digest of what is shown. */
  readonly shown: string;
  readonly acts: readonly ActChoice[];
  readonly signer: ReviewSigner | null;
  readonly reasonHint: string;
  readonly meaning: string;
  /** Who finds a form here, for those who do not. */
  readonly whoMay?: string;
  /** Prefix of the ids of its fields, where a page has several such forms. */
  readonly name?: string;
  /** Further fields. */
  readonly children?: ComponentChildren;
}): JSX.Element {
  const prefix = props.name === undefined ? '' : `${props.name}-`;
  const { action, acts, signer } = props;
  if (signer === null || !acts.some(({ option }) => option.possible)) {
    return (
      <>
        {acts.map((choice) => (
          <Option key={choice.act} choice={choice} />
        ))}
        {signer === null ? (
          <p>{props.whoMay ?? 'Reviewers who are signed in decide here.'}</p>
        ) : null}
      </>
    );
  }
  return (
    <OwnForm action={action} token={signer.formToken} class="form review-form">
      <input type="hidden" name="shown" value={props.shown} />
      <fieldset>
        <legend>Decision</legend>
        {acts.map((choice) => (
          <Option key={choice.act} choice={choice} isChoice />
        ))}
      </fieldset>
      {props.children}
      <Field id={`${prefix}reason`} name="reason" label="Reason" hint={props.reasonHint} />
      <SigningFields components={signer.components} prefix={prefix} />
      <p class="small">{props.meaning}</p>
    </OwnForm>
  );
}

function Option(props: { readonly choice: ActChoice; readonly isChoice?: boolean }): JSX.Element {
  const { choice, isChoice = false } = props;
  const { act, option } = choice;
  const id = `act-${act}`;
  const isChosen = useTyped('act') === act && option.possible;
  const words = option.possible
    ? `Then ${option.effects.join('; ')}.`
    : `Not open: ${option.because.join('; ')}.`;
  return (
    <div class="choice">
      {isChoice ? (
        <input
          type="radio"
          id={id}
          name="act"
          value={act}
          disabled={!option.possible}
          checked={isChosen}
          required
        />
      ) : (
        <span />
      )}
      {isChoice ? <label for={id}>{choice.words}</label> : <strong>{choice.words}</strong>}
      <span class="small">{words}</span>
    </div>
  );
}
