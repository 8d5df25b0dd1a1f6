import type { JSX } from 'preact';
import type { ShownDocument } from '../signatures/shown-document.js';
import { FactsTable } from './facts-table.js';

/** The record that a signature would be of, leaf by leaf, for a page that tells only some of it in words. */
export function SignatureCover(props: {
  readonly shown: ShownDocument;
  readonly sha256: string;
}): JSX.Element {
  return (
    <details>
      <summary>What a signature covers</summary>
      <p class="small">
        Its digest is <code>{props.sha256}</code>.
      </p>
      <FactsTable value={props.shown.record} />
    </details>
  );
}
