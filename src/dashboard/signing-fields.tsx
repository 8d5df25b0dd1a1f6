import type { JSX } from 'preact';
import type { Components } from '../signatures/signature.js';
import { Field } from './form-parts.js';

/** What proves the signer: user name and password at the first signature of a sitting, then the password. */
export function SigningFields(props: { readonly components: Components }): JSX.Element {
  return (
    <>
      {props.components === 'password' ? null : (
        <Field
          id="user-name"
          name="userName"
          label="User name"
          autocomplete="username"
          hint="The first signature of a sitting takes user name and password."
        />
      )}
      <Field
        id="password"
        name="password"
        label="Password"
        type="password"
        autocomplete="current-password"
      />
      <button type="submit">Sign</button>
    </>
  );
}
