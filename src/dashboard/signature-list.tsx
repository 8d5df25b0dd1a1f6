import type { JSX } from 'preact';
import type { ShownSignature } from '../statements/review-view.js';
import { momentOf } from './local-time.js';
import { Moment } from './marks.js';
import { Verbatim } from './verbatim.js';

/** Signatures of a record, as they are shown wherever it is: who, when with the zone, in which meaning, why. */
export function SignatureList(props: {
  readonly signatures: readonly ShownSignature[];
}): JSX.Element {
  if (props.signatures.length === 0) return <p class="none">Nobody has signed.</p>;
  return (
    <ul class="signatures">
      {props.signatures.map((signature) => (
        <li key={signature.signatureId}>
          <p>
            <strong>{signature.meaning}</strong> by <Verbatim>{signature.printedName}</Verbatim> (
            <Verbatim>{signature.userName}</Verbatim>),{' '}
            <Moment at={momentOf(signature.at, signature.zone)} />, {signature.zone}
          </p>
          <p>
            <Verbatim>{signature.reason}</Verbatim>
          </p>
          {signature.validity === 'void' ? (
            <p class="tone-bad">
              <strong>Void:</strong> the record reads differently than what was signed
              {signature.changed.join('') === '' ? '' : `, at ${signature.changed.join(', ')}`}.
            </p>
          ) : null}
          {signature.broken === null ? null : (
            <p class="tone-bad">
              <strong>Not as it was made:</strong> {signature.broken}.
            </p>
          )}
        </li>
      ))}
    </ul>
  );
}
