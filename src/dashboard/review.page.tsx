import type { JSX } from 'preact';
import type { HeldBundle } from '../statements/bundle-review-view.js';
import type { ReviewList, ReviewView } from '../statements/review-view.js';
import { checkPath } from './check-path.js';
import { FactsTable } from './facts-table.js';
import { Told } from './form-parts.js';
import { HeldBundles } from './held-bundles.js';
import { Layout } from './layout.js';
import { momentOf } from './local-time.js';
import { Moment } from './marks.js';
import type { ReviewFrame } from './page-site.js';
import { receiptPath } from './receipt-path.js';
import { renderPage } from './render-page.js';
import { ReviewForm } from './review-form.js';
import { causePath, labelsPath, placePath, reviewPath } from './review-path.js';
import type { Signer } from './sign-form.js';
import { SignatureList } from './signature-list.js';
import type { Said } from './signed-form.js';
import type { SignedPageShown } from './signed-pages.service.js';
import { tracePath } from './trace-path.js';
import { Verbatim } from './verbatim.js';

export function renderReviewList(
  list: ReviewList,
  bundles: readonly HeldBundle[],
  frame: ReviewFrame,
): string {
  return renderPage(<ReviewListPage list={list} bundles={bundles} frame={frame} />);
}

export function renderReview(shown: SignedPageShown<ReviewView>): string {
  return renderPage(<ReviewPage {...shown} />);
}

function ReviewListPage(props: {
  readonly list: ReviewList;
  readonly bundles: readonly HeldBundle[];
  readonly frame: ReviewFrame;
}): JSX.Element {
  const { list, bundles, frame } = props;
  return (
    <Layout title="Held results" {...frame}>
      <p class="crumb">
        <a href="/">The day</a>
      </p>
      <h1>Held results</h1>
      {list.waiting.length === 0 ? (
        <p>No result waits for a reviewer.</p>
      ) : (
        <table>
          <caption>They wait for a reviewer, oldest first</caption>
          <thead>
            <tr>
              <th scope="col">Result</th>
              <th scope="col">Receipt and container</th>
              <th scope="col">Decision</th>
              <th scope="col">Measured</th>
              <th scope="col">Held by</th>
            </tr>
          </thead>
          <tbody>
            {list.waiting.map((w) => (
              <tr key={w.rowId}>
                <th scope="row">
                  <a href={reviewPath(w.rowId)}>
                    <Verbatim>{w.resultId}</Verbatim>
                  </a>
                </th>
                <td data-label="Receipt and container">
                  <Verbatim>{`${w.receiptId ?? w.receiptScanned ?? 'no receipt'} · ${w.container ?? 'no container'}`}</Verbatim>
                </td>
                <td data-label="Decision">
                  {w.decision ?? 'unreadable'}
                  {w.contrary ? <span class="small"> counts against its receipt</span> : null}
                </td>
                <td data-label="Measured">
                  {w.measuredAt === null ? (
                    <span class="none">unknown</span>
                  ) : (
                    <Moment at={momentOf(w.measuredAt, frame.site.timeZone)} />
                  )}
                  <span class="small">
                    {' '}
                    by <Verbatim>{w.operator ?? 'nobody named'}</Verbatim>
                  </span>
                </td>
                <td data-label="Held by">{w.heldBy.join(', ')}</td>
              </tr>
            ))}
          </tbody>
        </table>
      )}
      {list.next === null ? null : (
        <p>
          <a href={`/review?after=${encodeURIComponent(list.next)}`}>More</a>
        </p>
      )}
      {bundles.length === 0 ? null : (
        <HeldBundles bundles={bundles} timeZone={frame.site.timeZone} />
      )}
    </Layout>
  );
}

function ReviewPage(props: {
  readonly view: ReviewView;
  readonly frame: ReviewFrame;
  readonly signer: Signer | null;
  readonly said: Said;
}): JSX.Element {
  const { view, frame, signer, said } = props;
  return (
    <Layout title={`Result ${view.resultId}`} {...frame} sent={said.typed}>
      <p class="crumb">
        <a href="/review">Held results</a>
      </p>
      <h1>
        Result <Verbatim>{view.resultId}</Verbatim>
      </h1>
      <Told notice={said.notice} />
      <p>
        It is <strong>{view.state}</strong>.{' '}
        {view.receiptId === null ? (
          'It belongs to no receipt.'
        ) : (
          <a href={receiptPath(view.receiptId)}>
            Receipt <Verbatim>{view.receiptId}</Verbatim>
          </a>
        )}{' '}
        <a href={causePath(view.rowId)}>Every attempt on its container</a> ·{' '}
        <a href={tracePath(view.resultId)}>its whole story</a> ·{' '}
        <a href={labelsPath(view.rowId)}>its labels</a> ·{' '}
        <a href={placePath(view.rowId)}>It is of another receipt or container</a>
      </p>
      <section id="findings">
        <h2>Findings</h2>
        <Findings view={view} />
      </section>
      <section id="signatures">
        <h2>Signatures</h2>
        <SignatureList signatures={view.signatures} />
      </section>
      <section id="decide">
        <h2>Decide</h2>
        <ReviewForm view={view} signer={signer} />
      </section>
      <section id="shown">
        <h2>What is signed</h2>
        <p class="small">
          Exactly this, by its SHA-256 <code>{view.sha256}</code>. When the record reads differently
          later, the signature is void.
        </p>
        <FactsTable value={view.shown.record} />
      </section>
      <Others context={view.shown.context} />
    </Layout>
  );
}

/** What a clearing decides about besides, which is signed with it. */
function Others({ context }: { readonly context: ReviewView['shown']['context'] }) {
  const { sameId, supersedes } = (context ?? {}) as Readonly<Record<string, readonly object[]>>;
  const lists = [
    ['same-id', 'Other results of its id', sameId ?? []],
    ['supersedes', 'Results that it would supersede', supersedes ?? []],
  ] as const;
  return lists.map(([id, words, results]) =>
    results.length === 0 ? null : (
      <section id={id} key={id}>
        <h2>{words}</h2>
        <FactsTable value={results} />
      </section>
    ),
  );
}

const CLEARANCE_WORDS: Readonly<Record<string, string>> = {
  reviewer: 'By a reviewer:',
  'one-of-several': 'One of several:',
  contrary: 'Contrary results only:',
  never: 'Never:',
};

function Findings({ view }: { readonly view: ReviewView }): JSX.Element {
  if (view.findings.length === 0) return <p class="none">None.</p>;
  return (
    <table>
      <thead>
        <tr>
          <th scope="col">Finding</th>
          <th scope="col">Found</th>
          <th scope="col">May it be cleared?</th>
        </tr>
      </thead>
      <tbody>
        {view.findings.map((f) => (
          <tr key={`${f.code} ${f.pointer}`}>
            <th scope="row">
              <a href={checkPath(f.code)}>{f.code}</a>
              <span class="small"> {f.severity === 'hold' ? 'holds it' : 'remark'}</span>
            </th>
            <td data-label="Found">
              <Verbatim>{f.message}</Verbatim>
              {f.limit === null ? null : (
                <p class="small">
                  Limit <Verbatim>{f.limit.value}</Verbatim>, from:{' '}
                  <Verbatim>{f.limit.source}</Verbatim>
                </p>
              )}
              <p class="small">{f.advice}</p>
            </td>
            <td data-label="May it be cleared?">
              {f.severity === 'hold' ? <strong>{CLEARANCE_WORDS[f.clearance]}</strong> : null}{' '}
              {f.why}
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}
