import type { JSX } from 'preact';
import type { PerformanceCauseView } from '../statements/performance-view.js';
import { Field, Told } from './form-parts.js';
import { instrumentPath, performanceCausePath } from './instrument-path.js';
import { Layout } from './layout.js';
import { momentOf } from './local-time.js';
import { Moment, VerdictMark } from './marks.js';
import type { ReviewFrame } from './page-site.js';
import { receiptPath } from './receipt-path.js';
import { renderPage } from './render-page.js';
import { ActOpening, type Signer, SignForm } from './sign-form.js';
import { SignatureCover } from './signature-cover.js';
import { SignatureList } from './signature-list.js';
import type { Said } from './signed-form.js';
import { Verbatim } from './verbatim.js';

export interface PerformanceCauseShown {
  readonly view: PerformanceCauseView;
  readonly frame: ReviewFrame;
  /** null for who may not sign. */
  readonly signer: Signer | null;
  readonly said: Said;
}

export function renderPerformanceCause(shown: PerformanceCauseShown): string {
  return renderPage(<PerformanceCausePage {...shown} />);
}

/** A performance check that failed, with what it leaves in doubt, and the form that signs what caused it. */
function PerformanceCausePage({ view, frame, signer, said }: PerformanceCauseShown): JSX.Element {
  const { timeZone } = frame.site;
  const { cause } = view;
  return (
    <Layout title={`Cause of check ${view.checkId}`} {...frame} sent={said.typed}>
      <p class="crumb">
        <a href="/instruments">Instruments</a> ·{' '}
        <a href={instrumentPath(view.instrument)}>
          <Verbatim>{view.instrument}</Verbatim>
        </a>
      </p>
      <h1>
        Cause of performance check <Verbatim>{view.checkId}</Verbatim>
      </h1>
      <Told notice={said.notice} />
      <p>
        Run {view.run} of instrument <Verbatim>{view.instrument}</Verbatim>, on{' '}
        <Verbatim>{view.standard}</Verbatim>, <Moment at={momentOf(view.checkedAt, timeZone)} />:{' '}
        <VerdictMark verdict={view.verdict} />
      </p>
      <section aria-labelledby="followed-title">
        <h2 id="followed-title">
          What followed it <span class="count">{view.followed.length}</span>
        </h2>
        <Followed view={view} timeZone={timeZone} />
      </section>
      <section aria-labelledby="doubt-title">
        <h2 id="doubt-title">
          Receipts that it leaves in doubt <span class="count">{view.receipts.length}</span>
        </h2>
        <InDoubt receipts={view.receipts} />
      </section>
      <section aria-labelledby="signatures-title">
        <h2 id="signatures-title">Signatures</h2>
        <SignatureList signatures={view.signatures} />
      </section>
      <section aria-labelledby="sign-title">
        <h2 id="sign-title">Sign its cause</h2>
        <ActOpening act={cause} lead="Only what an investigation showed may be signed. Then:" />
        {cause.possible ? <Form view={view} signer={signer} /> : null}
        <SignatureCover shown={view.shown} sha256={view.sha256} />
      </section>
    </Layout>
  );
}

function Followed(props: {
  readonly view: PerformanceCauseView;
  readonly timeZone: string;
}): JSX.Element {
  const { followed } = props.view;
  if (followed.length === 0) return <p class="none">No check behind it was taken in yet.</p>;
  return (
    <table>
      <thead>
        <tr>
          <th scope="col">Run</th>
          <th scope="col">Checked at</th>
          <th scope="col">Standard</th>
          <th scope="col">Judged</th>
        </tr>
      </thead>
      <tbody>
        {followed.map((check) => (
          <tr key={check.checkId}>
            <th scope="row">
              {check.run}
              <span class="small">
                {' '}
                <Verbatim>{check.checkId}</Verbatim>
              </span>
            </th>
            <td data-label="Checked at">
              <Moment at={momentOf(check.checkedAt, props.timeZone)} />
            </td>
            <td data-label="Standard">
              <Verbatim>{check.standard}</Verbatim>
            </td>
            <td data-label="Judged">
              <VerdictMark verdict={check.verdict} />
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

function InDoubt({ receipts }: Pick<PerformanceCauseView, 'receipts'>): JSX.Element {
  if (receipts.length === 0) return <p class="none">It bears on no receipt.</p>;
  return (
    <ul class="plain-list">
      {receipts.map((id) => (
        <li key={id}>
          <a href={receiptPath(id)}>
            receipt <Verbatim>{id}</Verbatim>
          </a>
        </li>
      ))}
    </ul>
  );
}

function Form(props: {
  readonly view: PerformanceCauseView;
  readonly signer: Signer | null;
}): JSX.Element {
  const { view, signer } = props;
  return (
    <SignForm
      action={performanceCausePath(view.rowId)}
      shown={view.sha256}
      signer={signer}
      whoMay="Reviewers who are signed in sign a cause here."
      reason={{
        label: 'Cause',
        hint: 'Part of the signature: why the check failed, and where the investigation shows that.',
      }}
      meaning="Your signature means reviewed. Nobody signs about results that they measured."
    >
      <Field id="investigation" name="investigation" label="Investigation number" />
    </SignForm>
  );
}
