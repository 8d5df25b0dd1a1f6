import type { JSX } from 'preact';
import type { BundleReviewView } from '../statements/bundle-review-view.js';
import { Told } from './form-parts.js';
import { Layout } from './layout.js';
import { momentOf } from './local-time.js';
import { Moment } from './marks.js';
import type { ReviewFrame } from './page-site.js';
import { renderPage } from './render-page.js';
import { bundleReviewPath, reviewPath } from './review-path.js';
import type { Signer } from './sign-form.js';
import { ActOpening, SignForm } from './sign-form.js';
import { SignatureCover } from './signature-cover.js';
import { SignatureList } from './signature-list.js';
import type { Said } from './signed-form.js';
import type { SignedPageShown } from './signed-pages.service.js';
import { Verbatim } from './verbatim.js';

export function renderBundleReview(shown: SignedPageShown<BundleReviewView>): string {
  return renderPage(<BundlePage {...shown} />);
}

function BundlePage(props: {
  readonly view: BundleReviewView;
  readonly frame: ReviewFrame;
  readonly signer: Signer | null;
  readonly said: Said;
}): JSX.Element {
  const { view, frame, signer, said } = props;
  const { about, refuse } = view;
  const name = about.bundleId ?? about.rowId;
  return (
    <Layout title={`Bundle ${name}`} {...frame} sent={said.typed}>
      <p class="crumb">
        <a href="/review">Held results</a>
      </p>
      <h1>
        Bundle <Verbatim>{name}</Verbatim>
      </h1>
      <Told notice={said.notice} />
      <p>
        It is <strong>{about.state}</strong>. From{' '}
        <Verbatim>{about.instrument ?? 'no named instrument'}</Verbatim>, received{' '}
        <Moment at={momentOf(about.receivedAt, frame.site.timeZone)} />.
      </p>
      <section id="findings">
        <h2>Held by</h2>
        <ul class="plain-list">
          {about.findings.map((f) => (
            <li key={`${f.code} ${f.pointer}`}>
              <strong>{f.code}</strong> <Verbatim>{`${f.message} (${f.pointer})`}</Verbatim>
            </li>
          ))}
        </ul>
      </section>
      <section id="results">
        <h2>Its results</h2>
        <Results view={view} />
      </section>
      <section id="signatures">
        <h2>Signatures</h2>
        <SignatureList signatures={view.signatures} />
      </section>
      <section id="decide">
        <h2>Refuse it</h2>
        <ActOpening
          act={refuse}
          lead="Better have the sync PC send it again intact, under another bundle id. When that cannot be, refuse it. Then:"
        />
        {refuse.possible ? <Form view={view} signer={signer} /> : null}
        <SignatureCover shown={view.shown} sha256={view.sha256} />
      </section>
    </Layout>
  );
}

function Results({ view }: { readonly view: BundleReviewView }): JSX.Element {
  const { results } = view.about;
  if (results.length === 0) return <p class="none">None that could be read.</p>;
  return (
    <table>
      <thead>
        <tr>
          <th scope="col">Result</th>
          <th scope="col">Run</th>
          <th scope="col">Decision</th>
          <th scope="col">State</th>
        </tr>
      </thead>
      <tbody>
        {results.map((r) => (
          <tr key={r.rowId}>
            <th scope="row">
              <a href={reviewPath(r.rowId)}>
                <Verbatim>{r.resultId}</Verbatim>
              </a>
            </th>
            <td data-label="Run">{r.runNumber ?? 'unknown'}</td>
            <td data-label="Decision">
              {r.decision ?? 'unreadable'}
              {r.contrary ? <span class="small"> counts against its receipt</span> : null}
            </td>
            <td data-label="State">{r.state}</td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

function Form(props: {
  readonly view: BundleReviewView;
  readonly signer: Signer | null;
}): JSX.Element {
  const { view, signer } = props;
  return (
    <SignForm
      action={bundleReviewPath(view.about.rowId)}
      shown={view.sha256}
      signer={signer}
      whoMay="Reviewers who are signed in decide here."
      reason={{
        hint: 'Part of the signature: why it cannot come intact, and where that is recorded.',
      }}
      meaning="Your signature means refused."
    />
  );
}
