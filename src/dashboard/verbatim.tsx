import type { JSX } from 'preact';
import { visibleText } from '../formats/visible-text.js';

/** An identifier from outside: unseen characters written out, and kept apart from the direction of the text around it. */
export function Verbatim({ children }: { readonly children: string }): JSX.Element {
  return <bdi>{visibleText(children)}</bdi>;
}
