import type { JSX } from 'preact';
import { Field, OwnForm } from './form-parts.js';
import type { ReviewSigner } from './review-form.js';
import { SigningFields } from './signing-fields.js';

/** The form that closes a period, or signs an addendum, by the digest of what its page shows. */
export function ClosingForm(props: {
  readonly action: string;
  /** Digest of what is shown. */
  readonly shown: string;
  readonly signer: ReviewSigner | null;
  readonly reasonHint: string;
}): JSX.Element {
  const { signer } = props;
  if (signer === null) return <p>Who may close periods signs here, signed in.</p>;
  return (
    <OwnForm action={props.action} token={signer.formToken} class="form review-form">
      <input type="hidden" name="shown" value={props.shown} />
      <Field id="reason" name="reason" label="Reason" hint={props.reasonHint} />
      <SigningFields components={signer.components} />
      <p class="small">
        Your signature means closed, and binds what is shown above by its SHA-256{' '}
        <code class="digest">{props.shown}</code>. What is open stays open and counts on.
      </p>
    </OwnForm>
  );
}
