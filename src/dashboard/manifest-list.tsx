import type { JSX } from 'preact';
import type { SignatureManifest } from '../signatures/signature.js';
import { momentOf } from './local-time.js';
import { Moment } from './marks.js';
import { Verbatim } from './verbatim.js';

/** Signatures as they were made, for a view that says nothing of whether they still hold. */
export function ManifestList(props: {
  readonly signatures: readonly SignatureManifest[];
}): JSX.Element {
  return (
    <ul class="signatures">
      {props.signatures.map((s) => (
        <li key={s.signatureId}>
          <p>
            <strong>{s.meaning}</strong> by <Verbatim>{s.printedName}</Verbatim> (
            <Verbatim>{s.userName}</Verbatim>), <Moment at={momentOf(s.at, s.zone)} />, {s.zone}
          </p>
          <p>
            <Verbatim>{s.reason}</Verbatim>
          </p>
        </li>
      ))}
    </ul>
  );
}
