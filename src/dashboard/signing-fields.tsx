import type { JSX } from 'preact';
import type { Components } from '../signatures/signature.js';
import { Field } from './form-parts.js';

/** What proves the signer: user name and password at the first signature of a sitting, then the password. */
export function SigningFields(props: {
  readonly components: Components;
  /** Before the ids, where a page has several forms. */
  readonly prefix?: string;
}): JSX.Element {
  const { prefix = '' } = props;
  return (
    <>
      {props.components === 'password' ? null : (
        <Field
          id={`${prefix}user-name`}
          name="userName"
          label="User name"
          autocomplete="username"
          hint="The first signature of a sitting takes user name and password."
        />
      )}
      <Field
        id={`${prefix}password`}
        name="password"
        label="Password"
        type="password"
        autocomplete="current-password"
      />
      <button type="submit">Sign</button>
    </>
  );
}
