import type { ComponentChildren, JSX } from 'preact';
import type { NoticeView } from './account-view.js';
import { TypedFields, useSent, useTyped } from './typed-form.js';

/** Same name as the guard looks for. */
const TOKEN_FIELD = 'form-token';

/** A form that only the sign-in it was made for can send. Its fields keep what was typed when it is shown again. */
export function OwnForm(props: {
  readonly action: string;
  readonly token: string;
  readonly class?: string;
  /** What it asks for, where several forms of a page go to one address. */
  readonly act?: string;
  readonly children: ComponentChildren;
}): JSX.Element {
  const { act } = props;
  const sent = useSent(props.action);
  const typed = act === undefined || sent?.get('act') === act ? sent : null;
  return (
    <form method="post" action={props.action} class={props.class ?? 'form'}>
      <input type="hidden" name={TOKEN_FIELD} value={props.token} />
      {act === undefined ? null : <input type="hidden" name="act" value={act} />}
      <TypedFields value={typed}>{props.children}</TypedFields>
    </form>
  );
}

export interface FieldProps {
  readonly id: string;
  readonly name: string;
  readonly label: string;
  readonly hint?: string;
  /** A number is a whole one, from 0. */
  readonly type?: 'text' | 'password' | 'number' | 'datetime-local';
  readonly value?: string;
  readonly autocomplete?: 'username' | 'current-password' | 'new-password';
  readonly isFocused?: boolean;
  readonly isOptional?: boolean;
}

export function Field(props: FieldProps): JSX.Element {
  const hintId = `${props.id}-hint`;
  const typed = useTyped(props.name);
  const common = {
    id: props.id,
    name: props.name,
    value: (props.type === 'password' ? undefined : typed) ?? props.value ?? '',
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
      ) : props.type === 'number' ? (
        <input {...common} type="number" min={0} step={1} />
      ) : props.type === 'datetime-local' ? (
        <input {...common} type="datetime-local" />
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

/** What came of the form that was sent, where one was. */
export function Told({ notice }: { readonly notice: NoticeView | null }): JSX.Element | null {
  if (notice === null) return null;
  return (
    <Notice tone={notice.tone} title={notice.title}>
      <p>{notice.text}</p>
    </Notice>
  );
}
