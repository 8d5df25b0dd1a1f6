import type { JSX } from 'preact';
import type { Counted, ReviewedTrail } from '../audit/trail-review.js';
import type { TrailReviewList, TrailReviewView } from '../statements/trail-review-view.js';
import { Notice, OwnForm, Told } from './form-parts.js';
import { Layout } from './layout.js';
import { momentOf } from './local-time.js';
import { Moment } from './marks.js';
import type { ReviewFrame } from './page-site.js';
import { renderPage } from './render-page.js';
import type { Signer } from './sign-form.js';
import type { Said } from './signed-form.js';
import { SigningFields } from './signing-fields.js';
import { useTyped } from './typed-form.js';
import { Verbatim } from './verbatim.js';

export interface TrailReviewPageView {
  readonly list: TrailReviewList;
  /** null when nothing is due. */
  readonly view: TrailReviewView | null;
  readonly frame: ReviewFrame;
  /** null for who may not sign. */
  readonly signer: Signer | null;
  readonly said: Said;
}

export function renderTrailReview(page: TrailReviewPageView): string {
  return renderPage(<TrailReviewPage {...page} />);
}

function TrailReviewPage({ list, view, frame, signer, said }: TrailReviewPageView): JSX.Element {
  return (
    <Layout title="Review of the trail" {...frame} sent={said.typed}>
      <p class="crumb">
        <a href="/trail">Trail</a>
      </p>
      <h1>Review of the trail</h1>
      <Told notice={said.notice} />
      {list.faults.length === 0 ? null : (
        <Notice tone="bad" title="Reviews do not follow one another">
          <ul>
            {list.faults.map((fault) => (
              <li key={fault}>{fault}</li>
            ))}
          </ul>
        </Notice>
      )}
      {view === null ? (
        <p>Nothing was sealed since the last review.</p>
      ) : (
        <>
          <Due of={view.shown.record} timeZone={frame.site.timeZone} />
          <section id="sign">
            <h2>Sign</h2>
            <SignForm view={view} signer={signer} />
          </section>
        </>
      )}
      <section id="reviews">
        <h2>Reviews so far</h2>
        <Reviews list={list} view={view} timeZone={frame.site.timeZone} />
      </section>
    </Layout>
  );
}

function Due(props: { readonly of: ReviewedTrail; readonly timeZone: string }): JSX.Element {
  const { of, timeZone } = props;
  const { faults, faultCount, remarks } = of.verification;
  return (
    <>
      <p>
        Entries <strong>{of.first}</strong> to <strong>{of.last}</strong>
        {of.from === null || of.to === null ? null : (
          <>
            , <Moment at={momentOf(of.from, timeZone)} /> to{' '}
            <Moment at={momentOf(of.to, timeZone)} />
          </>
        )}
        . <a href="/trail">Read them</a> before you sign.
      </p>
      {faultCount === 0 ? (
        <p class="tone-good">
          <strong>Whole:</strong> entries 0 to {of.last} are as they were sealed.
        </p>
      ) : (
        <Notice tone="bad" title={`Not as it was sealed: ${faultCount} found`}>
          <ul>
            {faults.map((fault) => (
              <li key={fault}>
                <Verbatim>{fault}</Verbatim>
              </li>
            ))}
          </ul>
        </Notice>
      )}
      {remarks.length === 0 ? null : (
        <>
          <h2>Remarks</h2>
          <ul>
            {remarks.map((remark) => (
              <li key={remark}>
                <Verbatim>{remark}</Verbatim>
              </li>
            ))}
          </ul>
        </>
      )}
      <section id="counts">
        <h2>What was done, and by whom</h2>
        <Counts caption="By action" head="Action" counts={of.actions} />
        <Counts
          caption="By person or program"
          head="Who"
          counts={of.people.map(({ name, userName, count }) => ({
            name: userName === null ? name : `${userName} (${name})`,
            count,
          }))}
        />
      </section>
      <p class="small">
        Root over entries 0 to {of.last}: <code>{of.root}</code>
      </p>
    </>
  );
}

function Counts(props: {
  readonly caption: string;
  readonly head: string;
  readonly counts: readonly Counted[];
}): JSX.Element {
  return (
    <table>
      <caption>{props.caption}</caption>
      <thead>
        <tr>
          <th scope="col">{props.head}</th>
          <th scope="col">Entries</th>
        </tr>
      </thead>
      <tbody>
        {props.counts.map(({ name, count }) => (
          <tr key={name}>
            <th scope="row">
              <Verbatim>{name}</Verbatim>
            </th>
            <td data-label="Entries">{count}</td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

function SignForm(props: {
  readonly view: TrailReviewView;
  readonly signer: Signer | null;
}): JSX.Element {
  const { view, signer } = props;
  if (signer === null) return <p>Who may review the trail signs here, signed in.</p>;
  return (
    <OwnForm action="/trail/review" token={signer.formToken} class="form review-form">
      <input type="hidden" name="shown" value={view.sha256} />
      <input type="hidden" name="last" value={view.shown.record.last} />
      <FindingsField />
      <SigningFields components={signer.components} />
      <p class="small">
        Your signature means reviewed, and binds what is shown above by its SHA-256{' '}
        <code>{view.sha256}</code>.
      </p>
    </OwnForm>
  );
}

function FindingsField(): JSX.Element {
  return (
    <p class="field">
      <label for="findings">Findings</label>
      <textarea
        id="findings"
        name="findings"
        rows={4}
        required
        minLength={3}
        maxLength={4000}
        aria-describedby="findings-hint"
        value={useTyped('findings') ?? ''}
      />
      <span class="small" id="findings-hint">
        Part of the signature: what you looked at, what you found, and what follows from it.
      </span>
    </p>
  );
}

function Reviews(props: {
  readonly list: TrailReviewList;
  readonly view: TrailReviewView | null;
  readonly timeZone: string;
}): JSX.Element {
  const { reviews } = props.list;
  if (reviews.length === 0) return <p class="none">None.</p>;
  const differs = new Set(
    props.view?.shown.record.earlier.filter((e) => !e.rootAgrees).map((e) => e.id),
  );
  return (
    <table>
      <caption>The latest first</caption>
      <thead>
        <tr>
          <th scope="col">Entries</th>
          <th scope="col">Signed</th>
          <th scope="col">Findings</th>
        </tr>
      </thead>
      <tbody>
        {reviews.map((review) => (
          <tr key={review.id}>
            <th scope="row">
              {review.first} to {review.last}
              {differs.has(review.id) ? (
                <p class="tone-bad">The trail has another root now than was signed.</p>
              ) : null}
            </th>
            <td data-label="Signed">
              <strong>reviewed</strong> by <Verbatim>{review.printedName}</Verbatim> (
              <Verbatim>{review.userName}</Verbatim>),{' '}
              <Moment at={momentOf(review.at, props.timeZone)} />
            </td>
            <td data-label="Findings">
              <Verbatim>{review.findings}</Verbatim>
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}
