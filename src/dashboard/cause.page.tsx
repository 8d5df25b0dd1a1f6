import type { JSX } from 'preact';
import type { Attempt } from '../statements/assigned-cause.js';
import type { CauseView } from '../statements/cause-view.js';
import { Field, Told } from './form-parts.js';
import { Layout } from './layout.js';
import { momentOf } from './local-time.js';
import { Moment } from './marks.js';
import type { ReviewFrame } from './page-site.js';
import { receiptPath } from './receipt-path.js';
import { renderPage } from './render-page.js';
import { causePath, reviewPath } from './review-path.js';
import type { Signer } from './sign-form.js';
import { ActOpening, SignForm } from './sign-form.js';
import { SignatureCover } from './signature-cover.js';
import { SignatureList } from './signature-list.js';
import type { Said } from './signed-form.js';
import { tracePath } from './trace-path.js';
import { Verbatim } from './verbatim.js';

export interface CauseShown {
  readonly view: CauseView;
  readonly frame: ReviewFrame;
  /** null for who may not sign. */
  readonly signer: Signer | null;
  readonly said: Said;
}

export function renderCause(shown: CauseShown): string {
  return renderPage(<CausePage {...shown} />);
}

/** A contrary result with the whole series of its container, and the form that signs what caused it. */
function CausePage({ view, frame, signer, said }: CauseShown): JSX.Element {
  const { cause } = view;
  return (
    <Layout title={`Cause of ${view.resultId}`} {...frame} sent={said.typed}>
      <p class="crumb">
        <a href={reviewPath(view.rowId)}>The result by itself</a> ·{' '}
        <a href={tracePath(view.resultId)}>Trace it</a>
      </p>
      <h1>
        Cause of result <Verbatim>{view.resultId}</Verbatim>
      </h1>
      <Told notice={said.notice} />
      <p>
        It says <strong>{view.decision ?? 'nothing readable'}</strong> and is {view.state}.{' '}
        {view.receiptId === null ? (
          'It belongs to no receipt.'
        ) : (
          <>
            Container <Verbatim>{view.container ?? 'unknown'}</Verbatim> of{' '}
            <a href={receiptPath(view.receiptId)}>
              receipt <Verbatim>{view.receiptId}</Verbatim>
            </a>
            .
          </>
        )}
      </p>
      <section aria-labelledby="series-title">
        <h2 id="series-title">
          Every attempt on the container <span class="count">{view.series.length}</span>
        </h2>
        <p class="small">
          In the order they were stored, whatever came of them. A cause explains one attempt; every
          other contrary one needs its own.
        </p>
        <Series view={view} timeZone={frame.site.timeZone} />
      </section>
      <section aria-labelledby="signatures-title">
        <h2 id="signatures-title">Signatures</h2>
        {view.signatures.length === 0 ? (
          <p class="none">Nobody has signed its cause.</p>
        ) : (
          <SignatureList signatures={view.signatures} />
        )}
      </section>
      <section aria-labelledby="sign-title">
        <h2 id="sign-title">Sign its cause</h2>
        <ActOpening
          act={cause}
          lead="Only what an investigation showed to be no property of the material may be signed. Then:"
        />
        {cause.possible ? <Form view={view} signer={signer} /> : null}
        <SignatureCover shown={view.shown} sha256={view.sha256} />
      </section>
    </Layout>
  );
}

function Series(props: { readonly view: CauseView; readonly timeZone: string }): JSX.Element {
  const { series, rowId } = props.view;
  if (series.length === 0) return <p class="none">It belongs to no container.</p>;
  return (
    <table>
      <thead>
        <tr>
          <th scope="col">Result</th>
          <th scope="col">Decision</th>
          <th scope="col">State</th>
          <th scope="col">Measured</th>
          <th scope="col">Instrument and operator</th>
        </tr>
      </thead>
      <tbody>
        {series.map((attempt) => (
          <AttemptRow
            key={attempt.rowId}
            attempt={attempt}
            isThis={attempt.rowId === rowId}
            timeZone={props.timeZone}
          />
        ))}
      </tbody>
    </table>
  );
}

function AttemptRow(props: {
  readonly attempt: Attempt;
  readonly isThis: boolean;
  readonly timeZone: string;
}): JSX.Element {
  const { attempt: a, isThis } = props;
  return (
    <tr class={isThis ? 'this-one' : undefined} aria-current={isThis ? 'true' : undefined}>
      <th scope="row">
        {isThis ? (
          <>
            <Verbatim>{a.resultId}</Verbatim> <span class="small">this one</span>
          </>
        ) : (
          <a href={causePath(a.rowId)}>
            <Verbatim>{a.resultId}</Verbatim>
          </a>
        )}
      </th>
      <td data-label="Decision">
        <strong>{a.decision ?? 'unreadable'}</strong>
      </td>
      <td data-label="State">{a.state}</td>
      <td data-label="Measured">
        {a.measuredAt === null ? (
          <span class="none">time unknown</span>
        ) : (
          <Moment at={momentOf(a.measuredAt, props.timeZone)} />
        )}
      </td>
      <td data-label="Instrument and operator">
        <Verbatim>{a.instrument ?? 'unknown'}</Verbatim>
        <span class="small">
          {' '}
          by <Verbatim>{a.operator ?? 'nobody named'}</Verbatim>
        </span>
      </td>
    </tr>
  );
}

function Form(props: { readonly view: CauseView; readonly signer: Signer | null }): JSX.Element {
  const { view, signer } = props;
  return (
    <SignForm
      action={causePath(view.rowId)}
      shown={view.sha256}
      signer={signer}
      whoMay="Reviewers who are signed in sign a cause here."
      reason={{
        label: 'Cause',
        hint: 'Part of the signature: what caused it, and where the investigation shows that.',
      }}
      meaning="Your signature means reviewed. Nobody signs about a receipt on which they measured."
    >
      <Field id="investigation" name="investigation" label="Investigation number" />
    </SignForm>
  );
}
