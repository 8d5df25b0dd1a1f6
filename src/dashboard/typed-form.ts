import { createContext } from 'preact';
import { useContext } from 'preact/hooks';

/** A form as it was sent, when its page is shown again. */
export interface TypedForm {
  /** Address it was sent to: a page may have several forms with the same fields. */
  readonly action: string;
  readonly fields: ReadonlyMap<string, string>;
}

/** The form of a request, to show its page again with. A password never comes along. */
export function sentForm(request: {
  readonly url: string;
  readonly form: URLSearchParams | null;
}): TypedForm {
  const fields = new Map(request.form ?? []);
  fields.delete('password');
  return { action: request.url, fields };
}

/** The form that was sent to the page; null for a page that was only asked for. */
export const Sent = createContext<TypedForm | null>(null);

/** Fields of the form around, as they were typed; none when it is another one that was sent. */
const Typed = createContext<TypedForm['fields'] | null>(null);

/** Around the fields of a form. */
export const TypedFields = Typed.Provider;

/** What was typed into the form that goes to this address. */
export function useSent(action: string): TypedForm['fields'] | null {
  const sent = useContext(Sent);
  return sent?.action === action ? sent.fields : null;
}

/** What was typed into a field of the form around; undefined when that form was not sent. Never ask for a password. */
export function useTyped(name: string): string | undefined {
  return useContext(Typed)?.get(name);
}
