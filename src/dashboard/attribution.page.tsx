import type { JSX } from 'preact';
import type {
  AttributedPlace,
  AttributionView,
  ResultPlaceView,
  ShownAttribution,
} from '../statements/attribution-view.js';
import { FactsTable } from './facts-table.js';
import { Field, OwnForm, Told } from './form-parts.js';
import { Layout } from './layout.js';
import { momentOf } from './local-time.js';
import { Moment } from './marks.js';
import type { ReviewFrame } from './page-site.js';
import { receiptPath } from './receipt-path.js';
import { renderPage } from './render-page.js';
import { SignedForm } from './review-form.js';
import { attributionPath, placePath, reviewPath } from './review-path.js';
import type { Said } from './signed-form.js';
import type { SignedPageShown } from './signed-pages.service.js';
import { Verbatim } from './verbatim.js';

const WHO_MAY =
  'Reviewers who are signed in, did not measure it and did not propose this decide here.';

export interface AttributionList {
  readonly waiting: readonly ShownAttribution[];
  /** Where the next page begins; null on the last. */
  readonly next: string | null;
}

export function renderAttributionList(
  { waiting, next }: AttributionList,
  frame: ReviewFrame,
): string {
  return renderPage(
    <Layout title="Proposed attributions" {...frame}>
      <p class="crumb">
        <a href="/review">Held results</a>
      </p>
      <h1>Proposed attributions</h1>
      <p>
        Results that somebody says are of another receipt or container. A contrary one counts at
        both until a second person signs.
      </p>
      {waiting.length === 0 ? <p>None waits.</p> : <Attributions of={waiting} frame={frame} />}
      {next === null ? null : (
        <p>
          <a href={`/attributions?after=${encodeURIComponent(next)}`}>More</a>
        </p>
      )}
    </Layout>,
  );
}

export function renderPlace(
  view: ResultPlaceView,
  frame: ReviewFrame,
  formToken: string | null,
  said: Said,
): string {
  return renderPage(
    <Layout title={`Result ${view.resultId}`} {...frame} sent={said.typed}>
      <p class="crumb">
        <a href={reviewPath(view.rowId)}>The result</a>
      </p>
      <h1>
        Where result <Verbatim>{view.resultId}</Verbatim> belongs
      </h1>
      <Told notice={said.notice} />
      <p>
        It is of <PlaceWords of={view.place} />, revision {view.revision}.{' '}
        {view.inForce === null
          ? 'So says the scan.'
          : view.inForce.isValid
            ? 'So says a signature.'
            : `The signature that said so is void: changed at ${view.inForce.changed.join(', ')}.`}
      </p>
      <Reported view={view} />
      <section id="said">
        <h2>What was said about it</h2>
        {view.attributions.length === 0 ? (
          <p class="none">Nothing.</p>
        ) : (
          <Attributions of={view.attributions} frame={frame} />
        )}
      </section>
      <section id="propose">
        <h2>Say that it belongs elsewhere</h2>
        <p>
          Look at the drum and at the receipt label first. What speaks against the receipt you name
          counts there at once; nothing is taken from where it is before a second person signs.
        </p>
        {formToken === null ? (
          <p>Reviewers who are signed in propose here.</p>
        ) : (
          <ProposalForm rowId={view.rowId} formToken={formToken} />
        )}
      </section>
    </Layout>,
  );
}

export function renderAttribution({
  view,
  frame,
  signer,
  said,
}: SignedPageShown<AttributionView>): string {
  const { attribution, options } = view;
  return renderPage(
    <Layout title={`Attribution of ${view.resultId}`} {...frame} sent={said.typed}>
      <p class="crumb">
        <a href={placePath(attribution.rowId)}>Where the result belongs</a>
      </p>
      <h1>
        Attribution of <Verbatim>{view.resultId}</Verbatim>
      </h1>
      <Told notice={said.notice} />
      <p>
        The result is of <PlaceWords of={view.place} /> now.
      </p>
      <Attributions of={[attribution]} frame={frame} />
      <Reported view={view} />
      <section id="decide">
        <h2>Decide</h2>
        <SignedForm
          action={attributionPath(attribution.id)}
          shown={view.sha256}
          acts={[
            { act: 'attribute', words: 'It belongs there', option: options.attribute },
            { act: 'decline', words: 'It stays where it is', option: options.decline },
          ]}
          signer={signer}
          whoMay={WHO_MAY}
          reasonHint="Part of the signature: what you compared, and where that is recorded."
          meaning="Your signature means what you chose above and is shown wherever the result is."
        />
      </section>
      <section id="shown">
        <h2>What is signed</h2>
        <p class="small">
          Exactly this, by its SHA-256 <code>{view.sha256}</code>. When the record reads differently
          later, the signature is void, and what it took away counts again.
        </p>
        <FactsTable value={view.shown.record} />
      </section>
    </Layout>,
  );
}

function Reported({
  view,
}: {
  readonly view: Pick<ResultPlaceView, 'scanned' | 'decision' | 'contrary' | 'operator'>;
}): JSX.Element {
  const { scanned } = view;
  return (
    <section id="reported">
      <h2>As it was reported</h2>
      <p>
        Decided <strong>{view.decision ?? 'unreadable'}</strong>
        {view.contrary ? ', which counts against its receipt' : ''}; measured by{' '}
        <Verbatim>{view.operator ?? 'nobody named'}</Verbatim>. Scanned receipt{' '}
        <Verbatim>{scanned.receipt ?? 'none'}</Verbatim>, container{' '}
        <Verbatim>{scanned.container ?? 'none'}</Verbatim>, lot{' '}
        <Verbatim>{scanned.lot ?? 'none'}</Verbatim>. This stays as it is.
      </p>
    </section>
  );
}

function PlaceWords({ of }: { readonly of: AttributedPlace }): JSX.Element {
  if (of.receiptId === null) return <strong>no receipt</strong>;
  return (
    <>
      container <Verbatim>{of.container ?? 'none of its list'}</Verbatim> of{' '}
      <a href={receiptPath(of.receiptId)}>
        receipt <Verbatim>{of.receiptId}</Verbatim>
      </a>
    </>
  );
}

const STATES: Readonly<Record<ShownAttribution['state'], string>> = {
  open: 'waits for a second person',
  signed: 'signed',
  declined: 'declined',
  overtaken: 'overtaken by another one',
};

function Attributions(props: {
  readonly of: readonly ShownAttribution[];
  readonly frame: ReviewFrame;
}): JSX.Element {
  return (
    <table>
      <thead>
        <tr>
          <th scope="col">Said to be of</th>
          <th scope="col">The labels show</th>
          <th scope="col">Proposed</th>
          <th scope="col">State</th>
        </tr>
      </thead>
      <tbody>
        {props.of.map((a) => (
          <tr key={a.id}>
            <th scope="row">
              <PlaceWords of={a.to} />
              <p class="small">
                before: <PlaceWords of={a.from} />
              </p>
            </th>
            <td data-label="The labels show">
              receipt <Verbatim>{a.label.receipt}</Verbatim>, container{' '}
              <Verbatim>{a.label.container}</Verbatim>
              {a.label.lot === null ? null : (
                <>
                  , lot <Verbatim>{a.label.lot}</Verbatim>
                </>
              )}
              <p class="small">
                read by <Verbatim>{a.label.seenBy}</Verbatim>
              </p>
            </td>
            <td data-label="Proposed">
              <Verbatim>{a.reason}</Verbatim>
              <p class="small">
                <Verbatim>{a.proposedBy}</Verbatim>,{' '}
                <Moment at={momentOf(a.proposedAt, props.frame.site.timeZone)} />
              </p>
            </td>
            <td data-label="State">
              <a href={attributionPath(a.id)}>{STATES[a.state]}</a>
              {a.signature === null ? null : (
                <p class="small">
                  <Verbatim>{a.signature.printedName}</Verbatim>,{' '}
                  <Moment at={momentOf(a.signature.at, props.frame.site.timeZone)} />:{' '}
                  <Verbatim>{a.signature.reason}</Verbatim>
                </p>
              )}
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

function ProposalForm(props: { readonly rowId: string; readonly formToken: string }): JSX.Element {
  return (
    <OwnForm action={placePath(props.rowId)} token={props.formToken} class="form review-form">
      <Field
        id="receipt-id"
        name="receiptId"
        label="Receipt it belongs to"
        hint="The receipt id, as the list of receipts shows it."
      />
      <Field id="seen-receipt" name="seenReceipt" label="The receipt label shows" />
      <Field id="seen-container" name="seenContainer" label="The container shows" />
      <Field
        id="seen-lot"
        name="seenLot"
        label="Lot that the label shows"
        hint="Needed where the result names another lot than the receipt."
        isOptional
      />
      <Field
        id="seen-by"
        name="seenBy"
        label="Who looked"
        hint="Name of the person who read the labels; not who measured."
      />
      <Field id="reason" name="reason" label="Reason" hint="Why, and where that is recorded." />
      <button type="submit">Propose</button>
      <p class="small">Your name stands beside it. You cannot sign it yourself.</p>
    </OwnForm>
  );
}
