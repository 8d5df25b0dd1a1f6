import type { JSX } from 'preact';
import type { RejectionView } from '../statements/container-rejection-view.js';
import { Field, Told } from './form-parts.js';
import { Layout } from './layout.js';
import type { ReviewFrame } from './page-site.js';
import { receiptPath, rejectionPath } from './receipt-path.js';
import { renderPage } from './render-page.js';
import { ActOpening, type Signer, SignForm } from './sign-form.js';
import { SignatureCover } from './signature-cover.js';
import { SignatureList } from './signature-list.js';
import type { Said } from './signed-form.js';
import { tracePath } from './trace-path.js';
import { Verbatim } from './verbatim.js';

export interface RejectionShown {
  readonly view: RejectionView;
  readonly frame: ReviewFrame;
  /** null for who may not sign. */
  readonly signer: Signer | null;
  readonly said: Said;
}

export function renderRejection(shown: RejectionShown): string {
  return renderPage(<RejectionPage {...shown} />);
}

/** A container with what was measured of it, what rejecting it does, and the form that signs that. */
function RejectionPage({ view, frame, signer, said }: RejectionShown): JSX.Element {
  const { reject } = view;
  return (
    <Layout title={`Reject ${view.container}`} {...frame} sent={said.typed}>
      <p class="crumb">
        <a href={receiptPath(view.receiptId)}>The receipt’s page</a> ·{' '}
        <a href={tracePath(view.container)}>Trace the container</a>
      </p>
      <h1>
        Container <Verbatim>{view.container}</Verbatim> of receipt{' '}
        <Verbatim>{view.receiptId}</Verbatim>
      </h1>
      <Told notice={said.notice} />
      <section id="measured">
        <h2>What was measured of it</h2>
        {view.results.length === 0 ? (
          <p class="none">Nothing.</p>
        ) : (
          <ul class="plain-list">
            {view.results.map((result) => (
              <li key={result}>
                <Verbatim>{result}</Verbatim>
              </li>
            ))}
          </ul>
        )}
      </section>
      {view.signatures.length === 0 ? null : (
        <section id="signatures">
          <h2>Rejected by signature</h2>
          <SignatureList signatures={view.signatures} />
          <SplitOff view={view} />
        </section>
      )}
      <section id="reject">
        <h2>Reject it</h2>
        <ActOpening
          act={reject}
          lead="For a container that will not be used, whatever is measured of it later. Nobody takes that back here. Once you sign:"
        />
        {reject.possible ? (
          <SignForm
            action={rejectionPath(view.receiptId, view.container)}
            shown={view.sha256}
            signer={signer}
            whoMay="Reviewers who are signed in reject a container here."
            reason={{ hint: 'Part of the signature: what is wrong with it, and who saw that.' }}
            meaning="Your signature means rejected. Nobody signs about a receipt on which they measured."
          >
            <Field
              id="investigation"
              name="investigation"
              label="Investigation number"
              hint="Where what was found is recorded; part of the signature."
            />
          </SignForm>
        ) : null}
        <SignatureCover shown={view.shown} sha256={view.sha256} />
      </section>
    </Layout>
  );
}

function SplitOff({ view }: { readonly view: RejectionView }): JSX.Element | null {
  if (view.splitOffTo !== null) {
    return (
      <p>
        ERP said that it was split off, to{' '}
        <a href={receiptPath(view.splitOffTo)}>
          receipt <Verbatim>{view.splitOffTo}</Verbatim>
        </a>
        .
      </p>
    );
  }
  return (
    <p>
      ERP has not said yet that it was split off. Until it does, by its own key, the receipt does
      not conform.
    </p>
  );
}
