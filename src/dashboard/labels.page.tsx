import type { JSX } from 'preact';
import type { LabelReviewView } from '../statements/label-review-view.js';
import { Field, Told } from './form-parts.js';
import { Layout } from './layout.js';
import { ManifestList } from './manifest-list.js';
import type { ReviewFrame } from './page-site.js';
import { receiptPath } from './receipt-path.js';
import { renderPage } from './render-page.js';
import { labelsPath, placePath, reviewPath } from './review-path.js';
import { type Signer, SignForm } from './sign-form.js';
import type { Said } from './signed-form.js';
import { Verbatim } from './verbatim.js';
import { entryWords } from './wording.js';

export interface LabelsShown {
  readonly view: LabelReviewView;
  readonly frame: ReviewFrame;
  /** null for who may not sign. */
  readonly signer: Signer | null;
  readonly said: Said;
}

export function renderLabels(shown: LabelsShown): string {
  return renderPage(<LabelsPage {...shown} />);
}

/** The labels of a result, how they were entered, and the form by which a second person compares them. */
function LabelsPage({ view, frame, signer, said }: LabelsShown): JSX.Element {
  return (
    <Layout title={`Labels of ${view.resultId}`} {...frame} sent={said.typed}>
      <p class="crumb">
        {view.receiptId === null ? null : (
          <>
            <a href={receiptPath(view.receiptId)}>The receipt’s page</a> ·{' '}
          </>
        )}
        <a href={reviewPath(view.rowId)}>The result</a>
      </p>
      <h1>
        Labels of result <Verbatim>{view.resultId}</Verbatim>
      </h1>
      <Told notice={said.notice} />
      {view.signature === null ? null : (
        <section id="compared">
          <h2>Compared by a second person</h2>
          <ManifestList signatures={[view.signature]} />
        </section>
      )}
      <section id="compare">
        <h2>Compare them with the container</h2>
        <Comparison view={view} signer={signer} />
      </section>
      <section id="shown">
        <h2>What the result says</h2>
        <Reported view={view} />
      </section>
    </Layout>
  );
}

function Comparison(props: {
  readonly view: LabelReviewView;
  readonly signer: Signer | null;
}): JSX.Element {
  const { view, signer } = props;
  const closed = whyClosed(view);
  if (closed !== null) return <p>Not open: {closed}.</p>;
  return (
    <>
      <p>
        Go to the container and write down what its labels show, not what this page shows. What
        differs is refused here: it is a mix-up, which has an act of its own,{' '}
        <a href={placePath(view.rowId)}>to say of which receipt and container the result is</a>.
        Drumline reports; the quality unit releases.
      </p>
      <SignForm
        action={labelsPath(view.rowId)}
        shown={view.sha256}
        signer={signer}
        whoMay="Reviewers who are signed in and did not measure it compare its labels here."
        reason={{ hint: 'Part of the signature: where and how you read the labels.' }}
        meaning="Your signature means reviewed: you read both labels yourself."
      >
        <Field id="seen-receipt" name="seenReceipt" label="The receipt label shows" />
        <Field id="seen-container" name="seenContainer" label="The container shows" />
      </SignForm>
    </>
  );
}

function whyClosed(view: LabelReviewView): string | null {
  if (view.isCompared) return 'its labels were compared before';
  if (view.receiptId === null || view.containerLabel === null) {
    return 'it belongs to no container of a receipt';
  }
  if (view.receipt.entry === 'scanned' && view.container.entry === 'scanned') {
    return 'both were scanned, so that nobody has to';
  }
  return null;
}

function Reported({ view }: { readonly view: LabelReviewView }): JSX.Element {
  const rows = [
    ['Receipt', view.receipt],
    ['Container', view.container],
  ] as const;
  return (
    <>
      <p>
        Measured by{' '}
        {view.operatorId === null ? 'nobody named' : <Verbatim>{view.operatorId}</Verbatim>}. A
        signature covers exactly this.
      </p>
      <table>
        <thead>
          <tr>
            <th scope="col">Label</th>
            <th scope="col">As reported</th>
            <th scope="col">How it was entered</th>
          </tr>
        </thead>
        <tbody>
          {rows.map(([name, { text, entry }]) => (
            <tr key={name}>
              <th scope="row">{name}</th>
              <td data-label="As reported">
                {text === null ? <span class="none">none</span> : <Verbatim>{text}</Verbatim>}
              </td>
              <td data-label="How it was entered">{entryWords(entry)}</td>
            </tr>
          ))}
        </tbody>
      </table>
    </>
  );
}
