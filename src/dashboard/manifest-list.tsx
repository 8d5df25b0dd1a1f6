import type { JSX } from 'preact';
import type { SignatureManifest } from '../signatures/signature.js';
import { momentOf } from './local-time.js';
import { Moment } from './marks.js';
import { Verbatim } from './verbatim.js';

/** Signatures of acts about something that is over by them, so that no validity stands beside them. */
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
