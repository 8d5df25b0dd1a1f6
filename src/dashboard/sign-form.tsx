import type { ComponentChildren, JSX } from 'preact';
import type { Components } from '../signatures/signature.js';
import { Field, OwnForm } from './form-parts.js';
import { SigningFields } from './signing-fields.js';

/** What a signer needs for a form. */
export interface Signer {
  readonly formToken: string;
  readonly components: Components;
}

/** A form that signs what its page shows, by the digest of that. */
export function SignForm(props: {
  readonly action: string;
  /** Digest of what is shown. */
  readonly shown: string;
  /** null for who may not sign. */
  readonly signer: Signer | null;
  /** Who finds a form here, for those who do not. */
  readonly whoMay: string;
  readonly reason: { readonly label?: string; readonly hint: string };
  /** What the signature means; the digest it binds is named behind it. */
  readonly meaning: string;
  /** Further fields, before the reason. */
  readonly children?: ComponentChildren;
}): JSX.Element {
  const { action, shown, signer, reason } = props;
  if (signer === null) return <p>{props.whoMay}</p>;
  return (
    <OwnForm action={action} token={signer.formToken} class="form review-form">
      <input type="hidden" name="shown" value={shown} />
      {props.children}
      <Field id="reason" name="reason" label={reason.label ?? 'Reason'} hint={reason.hint} />
      <SigningFields components={signer.components} />
      <p class="small">
        {props.meaning} It binds what this page shows of the record by its SHA-256{' '}
        <code class="digest">{shown}</code>.
      </p>
    </OwnForm>
  );
}

/** Whether an act is open, and what signing it does; or why it is not. */
export function ActOpening(props: {
  readonly act: {
    readonly possible: boolean;
    readonly because: readonly string[];
    readonly effects: readonly string[];
  };
  /** Said of an act that is open, before its effects. */
  readonly lead: string;
}): JSX.Element {
  const { possible, because, effects } = props.act;
  return (
    <>
      <p>{possible ? props.lead : `Not open: ${because.join('; ')}.`}</p>
      {effects.length === 0 ? null : (
        <ul class="plain-list">
          {effects.map((effect) => (
            <li key={effect}>{effect}</li>
          ))}
        </ul>
      )}
    </>
  );
}
