import type { JSX } from 'preact';
import { type Signer, SignForm } from './sign-form.js';

/** The form that closes a period, or signs an addendum, by the digest of what its page shows. */
export function ClosingForm(props: {
  readonly action: string;
  /** Digest of what is shown. */
  readonly shown: string;
  readonly signer: Signer | null;
  readonly reasonHint: string;
}): JSX.Element {
  const { action, shown, signer } = props;
  return (
    <SignForm
      action={action}
      shown={shown}
      signer={signer}
      whoMay="Who may close periods signs here, signed in."
      reason={{ hint: props.reasonHint }}
      meaning="Your signature means closed. What is open stays open and counts on."
    />
  );
}
