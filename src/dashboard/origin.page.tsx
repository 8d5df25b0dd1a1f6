import type { JSX } from 'preact';
import type { OriginView, ShownOrigin } from '../statements/origin-view.js';
import { Told } from './form-parts.js';
import { Layout } from './layout.js';
import { OutcomeMark } from './marks.js';
import type { ReviewFrame } from './page-site.js';
import { originPath, receiptPath } from './receipt-path.js';
import { renderPage } from './render-page.js';
import { ActOpening, type Signer, SignForm } from './sign-form.js';
import { SignatureCover } from './signature-cover.js';
import { SignatureList } from './signature-list.js';
import type { Said } from './signed-form.js';
import { tracePath } from './trace-path.js';
import { Verbatim } from './verbatim.js';
import { outcomeOf } from './wording.js';

export interface OriginShown {
  readonly view: OriginView;
  readonly frame: ReviewFrame;
  /** null for who may not sign. */
  readonly signer: Signer | null;
  readonly said: Said;
}

export function renderOrigin(shown: OriginShown): string {
  return renderPage(<OriginPage {...shown} />);
}

/** What the containers of a receipt came from, how that stood, and the form that answers for it. */
function OriginPage({ view, frame, signer, said }: OriginShown): JSX.Element {
  return (
    <Layout title={`Origin of ${view.receiptId}`} {...frame} sent={said.typed}>
      <p class="crumb">
        <a href={receiptPath(view.receiptId)}>The receipt’s page</a> ·{' '}
        <a href={tracePath(view.receiptId)}>Its whole story</a>
      </p>
      <h1>
        Where the containers of receipt <Verbatim>{view.receiptId}</Verbatim> came from
      </h1>
      <Told notice={said.notice} />
      <section id="origins">
        <h2>
          Receipts they came from <span class="count">{view.origins.length}</span>
        </h2>
        {view.origins.length === 0 ? (
          <p class="none">They came from no other receipt.</p>
        ) : (
          <Origins origins={view.origins} />
        )}
      </section>
      {view.signatures.length === 0 ? null : (
        <section id="signatures">
          <h2>Answered for by signature</h2>
          <SignatureList signatures={view.signatures} />
        </section>
      )}
      <section id="sign">
        <h2>Answer for it</h2>
        <ActOpening
          act={view.sign}
          lead="Only where somebody has found out that what speaks against those receipts is not about these containers. Once you sign:"
        />
        {view.sign.possible ? (
          <SignForm
            action={originPath(view.receiptId)}
            shown={view.sha256}
            signer={signer}
            whoMay="Reviewers who are signed in answer for it here."
            reason={{
              hint: 'Part of the signature: what shows that these containers are not concerned, and who saw it.',
            }}
            meaning="Your signature means approved. Nobody signs about a receipt on which they measured, nor about one it came from, nor where they measured what speaks against it."
          />
        ) : null}
        <SignatureCover shown={view.shown} sha256={view.sha256} />
      </section>
    </Layout>
  );
}

function Origins({ origins }: { readonly origins: readonly ShownOrigin[] }): JSX.Element {
  return (
    <table class="wide-table">
      <caption>As they were when containers went, and what speaks against them now</caption>
      <thead>
        <tr>
          <th scope="col">Receipt</th>
          <th scope="col">How they came</th>
          <th scope="col">Statement then</th>
          <th scope="col">What spoke against it then</th>
          <th scope="col">Results against it now</th>
          <th scope="col">Rejected there</th>
          <th scope="col">Signed act</th>
        </tr>
      </thead>
      <tbody>
        {origins.map((origin) => (
          <tr key={origin.receiptId}>
            <th scope="row">
              <a href={receiptPath(origin.receiptId)}>
                <Verbatim>{origin.receiptId}</Verbatim>
              </a>
            </th>
            <td data-label="How they came">{origin.kind}</td>
            <td data-label="Statement then">
              <OutcomeMark outcome={outcomeOf(origin.outcome)} />
            </td>
            <td data-label="What spoke against it then">
              <Against origin={origin} />
            </td>
            <td data-label="Results against it now">{origin.against.length}</td>
            <td data-label="Rejected there">
              {origin.rejected.length === 0 ? (
                <span class="none">none</span>
              ) : (
                <Verbatim>{origin.rejected.map(({ container }) => container).join(', ')}</Verbatim>
              )}
            </td>
            <td data-label="Signed act">{signedWords(origin)}</td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

function Against({ origin }: { readonly origin: ShownOrigin }): JSX.Element {
  const found = [
    ...(origin.hadStop ? ['a stop'] : []),
    ...(origin.refused ? ['refused by the second person'] : []),
    ...(origin.refusals.length > 0 ? ['refused by the second person by now'] : []),
    ...(origin.hadContrary ? ['a contrary result that went to one of its parts'] : []),
    ...(origin.disagreed ? ['a recheck that disagreed'] : []),
    ...(origin.contraryThen > 0 ? [`results: ${origin.contraryThen}`] : []),
  ];
  return found.length === 0 ? <span class="none">nothing</span> : <span>{found.join('; ')}</span>;
}

function signedWords({ signatureId, kind, hasNews }: ShownOrigin): string {
  if (signatureId !== null) return hasNews ? 'does not know all of it' : 'answers for it';
  return kind === 'merged' ? 'none is possible' : 'none';
}
