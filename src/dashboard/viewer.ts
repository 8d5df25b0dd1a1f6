import type { PersonCaller } from '../access/caller.js';
import { Problem } from '../problem-details.js';

/** Who looks, and what their forms carry. */
export interface Viewer {
  readonly caller: PersonCaller;
  readonly formToken: string;
}

/** The person behind a request that only people are let through to. */
export function personIn(request: {
  readonly caller: { readonly kind: string };
  readonly formToken: string | null;
}): Viewer {
  const { caller, formToken } = request;
  if (caller.kind !== 'person' || formToken === null) {
    throw new Problem('right-missing', 'this page is for people who are signed in');
  }
  return { caller: caller as PersonCaller, formToken };
}

/** A field of a form as text; '' when it is not there. */
export function fieldOf(request: { readonly form: URLSearchParams | null }, name: string): string {
  return request.form?.get(name) ?? '';
}

/** Texts between commas, without the spaces around them. */
export function listOf(text: string): string[] {
  return text
    .split(',')
    .map((one) => one.trim())
    .filter((one) => one !== '');
}
