import type { JSX } from 'preact';
import type { ReceiptReviewView } from './receipt-view.js';
import { reviewPath } from './review-path.js';
import { SignatureList } from './signature-list.js';
import { Verbatim } from './verbatim.js';

/** Results of a receipt that wait for a reviewer or were reviewed, with the signatures they rest on. */
export function ReceiptReviews(props: {
  readonly reviews: readonly ReceiptReviewView[];
}): JSX.Element {
  return (
    <ul>
      {props.reviews.map((review) => (
        <li key={review.rowId}>
          <p>
            <a href={reviewPath(review.rowId)}>
              <Verbatim>{review.name}</Verbatim>
            </a>{' '}
            is {review.state}
            {review.signature === null ? ' and waits for a reviewer' : ''}.
          </p>
          {review.signature === null ? null : <SignatureList signatures={[review.signature]} />}
        </li>
      ))}
    </ul>
  );
}
