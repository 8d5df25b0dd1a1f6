import type { JSX } from 'preact';
import type { ReceiptReviewView } from '../statements/receipt-review-view.js';
import { inPlainWords } from './plain-text.js';
import { receiptReviewPath } from './receipt-path.js';
import { SignedForm } from './review-form.js';
import type { Signer } from './sign-form.js';
import { SignatureCover } from './signature-cover.js';
import { SignatureList } from './signature-list.js';
import { Verbatim } from './verbatim.js';

/** Who signed the statement, what a signature covers, and the form for who may sign. */
export function SecondPerson(props: {
  readonly review: ReceiptReviewView;
  readonly signer: Signer | null;
  readonly timeZone: string;
}): JSX.Element {
  const { review, signer, timeZone } = props;
  const acts = (['sign', 'refuse'] as const).map((act) => {
    const { because, ...option } = review.options[act];
    return {
      act,
      words: act === 'sign' ? 'Approve it' : 'Refuse it',
      option: { ...option, because: because.map((text) => inPlainWords(text, timeZone)) },
    };
  });
  return (
    <>
      <SignatureList signatures={review.signatures} />
      <MeasuredBy review={review} />
      <SignedForm
        action={receiptReviewPath(review.receiptId)}
        shown={review.sha256}
        acts={acts}
        signer={signer}
        reasonHint="Part of the signature: what you looked at."
        meaning="Your signature covers exactly what is listed below. When any of it reads differently later, it is void and a stop goes out."
      />
      <SignatureCover shown={review.shown} sha256={review.sha256} />
    </>
  );
}

function MeasuredBy({ review }: { readonly review: ReceiptReviewView }): JSX.Element | null {
  const { measuredBy, declared } = review;
  return measuredBy.length === 0 ? null : (
    <>
      <h3>Measured under</h3>
      <ul>
        {measuredBy.map(({ operator, belongsTo }) => (
          <li key={operator ?? ''}>
            {operator === null ? (
              'no name: its report names nobody'
            ) : (
              <Verbatim>{operator}</Verbatim>
            )}
            {operator === null ? null : belongsTo === null ? (
              ', which belongs to no account'
            ) : (
              <>
                , <Verbatim>{belongsTo}</Verbatim>
              </>
            )}
          </li>
        ))}
      </ul>
      <p>
        Who signs declares: <q>{declared}</q>
      </p>
    </>
  );
}
