import type { ComponentChildren, JSX } from 'preact';

/** Same name as the guard looks for. */
const TOKEN_FIELD = 'form-token';

/** A form that only the sign-in it was made for can send. */
export function OwnForm(props: {
  readonly action: string;
  readonly token: string;
  readonly class?: string;
  readonly children: ComponentChildren;
}): JSX.Element {
  return (
    <form method="post" action={props.action} class={props.class ?? 'form'}>
      <input type="hidden" name={TOKEN_FIELD} value={props.token} />
      {props.children}
    </form>
  );
}

export interface FieldProps {
  readonly id: string;
  readonly name: string;
  readonly label: string;
  readonly hint?: string;
  readonly type?: 'text' | 'password';
  readonly value?: string;
  readonly autocomplete?: 'username' | 'current-password' | 'new-password';
  readonly isFocused?: boolean;
  readonly isOptional?: boolean;
}

export function Field(props: FieldProps): JSX.Element {
  const hintId = `${props.id}-hint`;
  const common = {
    id: props.id,
    name: props.name,
    value: props.value ?? '',
    autocomplete: props.autocomplete ?? ('off' as const),
    autocapitalize: 'none' as const,
    spellcheck: false,
    required: !props.isOptional,
    autofocus: props.isFocused ?? false,
    ...(props.hint === undefined ? {} : { 'aria-describedby': hintId }),
  };
  return (
    <p class="field">
      <label for={props.id}>{props.label}</label>
      {props.type === 'password' ? (
        <input {...common} type="password" />
      ) : (
        <input {...common} type="text" />
      )}
      {props.hint === undefined ? null : (
        <span class="small" id={hintId}>
          {props.hint}
        </span>
      )}
    </p>
  );
}

/** Says what came of a form: what went wrong first, in a box of its own that is read out. */
export function Notice(props: {
  readonly tone: 'bad' | 'good' | 'quiet';
  readonly title: string;
  readonly children?: ComponentChildren;
}): JSX.Element {
  return (
    <div class={`notice notice-${props.tone}`} role={props.tone === 'bad' ? 'alert' : 'status'}>
      <p>
        <strong>{props.title}</strong>
      </p>
      {props.children}
    </div>
  );
}
