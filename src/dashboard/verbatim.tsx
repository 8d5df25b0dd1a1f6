import type { JSX } from 'preact';

/**
 * Characters that change how a label looks without being seen: control characters, direction marks,
 * zero-width characters, line separators. Two labels that differ must not look alike.
 */
const UNSEEN = /[\p{Cc}\p{Cf}\p{Zl}\p{Zp}]/gu;

/** A label as it is, with unseen characters written out, e.g. `D-1\u{200B}`. */
export function visibleText(text: string): string {
  return text.replace(UNSEEN, (character) => {
    const code = character.codePointAt(0) ?? 0;
    return `\\u{${code.toString(16).toUpperCase().padStart(4, '0')}}`;
  });
}

/** An identifier from outside: kept apart from the direction of the text around it. */
export function Verbatim({ children }: { readonly children: string }): JSX.Element {
  return <bdi>{visibleText(children)}</bdi>;
}
