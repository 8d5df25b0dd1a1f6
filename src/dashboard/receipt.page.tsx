import type { JSX } from 'preact';
import type { InspectionsView } from '../receipts/inspection-view.js';
import type { LabelsOfResult } from '../statements/label-review-view.js';
import type { ReceiptReviewView } from '../statements/receipt-review-view.js';
import type { StopLiftView } from '../statements/stop-lift-view.js';
import { announcePath } from './announce-path.js';
import { ConditionTable } from './condition-table.js';
import { ContainerTable } from './container-table.js';
import { ContraryResults } from './contrary-results.js';
import { decisionPath } from './decision-source.js';
import { DeliveryTable } from './delivery-table.js';
import { DiscrepancyList } from './discrepancy-list.js';
import { Told } from './form-parts.js';
import { InspectionPlans } from './inspection-plans.js';
import { Layout } from './layout.js';
import { Moment, OutcomeMark, StopMark } from './marks.js';
import { ReceiptHistory } from './receipt-history.js';
import { ReceiptLabels } from './receipt-labels.js';
import { inspectionsPath, lostStopsPath, originPath, receiptTitle } from './receipt-path.js';
import { ReceiptReviews } from './receipt-reviews.js';
import { SecondPerson } from './receipt-second-person.js';
import { ReceiptStops } from './receipt-stops.js';
import type { ReceiptView, StatementView } from './receipt-view.js';
import { renderPage } from './render-page.js';
import type { Signer } from './sign-form.js';
import { NOTHING_SAID, type Said } from './signed-form.js';
import type { SignedIn } from './signed-in.js';
import { tracePath } from './trace-path.js';
import { Verbatim } from './verbatim.js';

/** What a receipt's page has beside its view. */
export interface ReceiptPageParts {
  /** null where nobody announced the receipt. */
  readonly review: ReceiptReviewView | null;
  readonly signer: Signer | null;
  readonly stops: StopLiftView | null;
  /** null for who may lift no stop. */
  readonly lifter: Signer | null;
  /** null where nobody announced the receipt. */
  readonly inspections: InspectionsView | null;
  /** Results whose labels were not both scanned. */
  readonly labels: readonly LabelsOfResult[];
  /** Stops that destinations hold and a restore lost here. */
  readonly lostStops: number;
  /** Whether whoever looks may reject a container. */
  readonly mayReject: boolean;
  readonly said: Said;
}

interface Shown extends ReceiptPageParts {
  readonly view: ReceiptView;
  readonly signedIn: SignedIn | null;
}

function ReceiptPage({ view, signedIn, ...parts }: Shown): JSX.Element {
  const { review, signer, stops, lifter, inspections, labels, lostStops, mayReject, said } = parts;
  const title = receiptTitle(view.receipt);
  return (
    <Layout title={title} site={view.site} asOf={view.asOf} signedIn={signedIn} sent={said.typed}>
      <p class="crumb">
        <a href="/">The day</a> · <a href={tracePath(view.receipt.receiptId)}>Its whole story</a>
      </p>
      <h1>
        Receipt line <Verbatim>{title}</Verbatim>
      </h1>
      <Told notice={said.notice} />
      <Identity view={view} />
      {signedIn?.canAnnounce && view.isOpen ? (
        <p>
          <a href={announcePath(view.receipt.receiptId)}>Change or cancel it by hand</a>
        </p>
      ) : null}
      {view.statement === null ? (
        <section class="statement statement-none">
          <h2>Statement</h2>
          <OutcomeMark outcome={null} />
          <p>Nothing is said of this receipt yet. Without a statement it counts as incomplete.</p>
        </section>
      ) : (
        <Statement statement={view.statement} />
      )}
      {lostStops === 0 ? null : (
        <section id="lost-stops">
          <h2>
            Stops that a restore lost <span class="count">{lostStops}</span>
          </h2>
          <p>
            A destination holds what nobody here knows any more, and the receipt does not conform
            while it stands. <a href={lostStopsPath(view.receipt.receiptId)}>Look at them</a>
          </p>
        </section>
      )}
      {view.cameFrom.length === 0 ? null : (
        <section id="origin">
          <h2>Where its containers came from</h2>
          <p>
            <Verbatim>{view.cameFrom.join(', ')}</Verbatim>.{' '}
            <a href={originPath(view.receipt.receiptId)}>
              How that stood, and answer for it by signature
            </a>
          </p>
        </section>
      )}
      {stops === null || stops.stops.length === 0 ? null : (
        <section id="stops">
          <h2>Stops</h2>
          <ReceiptStops stops={stops} signer={lifter} timeZone={view.site.timeZone} />
        </section>
      )}
      {inspections === null || inspections.plans.length === 0 ? null : (
        <section id="inspections">
          <h2>Labels and damage</h2>
          <InspectionPlans view={inspections} />
          <p>
            <a href={inspectionsPath(inspections.receiptId)}>What was counted, and enter a count</a>
          </p>
        </section>
      )}
      {labels.length === 0 ? null : (
        <section id="labels">
          <h2>Labels that were not scanned</h2>
          <ReceiptLabels labels={labels} />
        </section>
      )}
      {review === null ? null : (
        <section id="second-person">
          <h2>Second person</h2>
          <SecondPerson review={review} signer={signer} timeZone={view.site.timeZone} />
        </section>
      )}
      {view.contrary.length === 0 ? null : (
        <section id="contrary">
          <h2>Contrary results</h2>
          <ContraryResults results={view.contrary} />
        </section>
      )}
      <section id="containers">
        <h2>Containers</h2>
        <ContainerTable
          containers={view.statement?.containers ?? []}
          receiptId={view.receipt.receiptId}
          rejected={view.rejected}
          mayReject={mayReject && view.isOpen}
        />
      </section>
      <section id="deliveries">
        <h2>Deliveries</h2>
        <DeliveryTable deliveries={view.deliveries} />
      </section>
      {view.history.length === 0 ? null : (
        <section id="history">
          <h2>What was announced</h2>
          <ReceiptHistory history={view.history} />
        </section>
      )}
      {view.reviews.length === 0 ? null : (
        <section id="reviews">
          <h2>Reviews</h2>
          <ReceiptReviews reviews={view.reviews} />
        </section>
      )}
      <section id="discrepancies">
        <h2>Open discrepancies</h2>
        <DiscrepancyList groups={view.discrepancies} />
      </section>
    </Layout>
  );
}

function Identity({ view }: { readonly view: ReceiptView }): JSX.Element {
  const { receipt } = view;
  return (
    <dl class="identity">
      <Term name="Receipt id">{receipt.receiptId}</Term>
      <Term name="Material">{receipt.material}</Term>
      <Term name="Manufacturer">{receipt.manufacturer}</Term>
      <Term name="Supplier">{receipt.supplier}</Term>
      <Term name="Supplier’s lot">{receipt.supplierLot}</Term>
      <Term name="Site lot">{receipt.siteLot}</Term>
      <Term name="Receiving area">{receipt.area}</Term>
    </dl>
  );
}

function Term(props: { readonly name: string; readonly children: string | null }): JSX.Element {
  return (
    <div>
      <dt>{props.name}</dt>
      <dd>
        {props.children === null ? (
          <span class="none">not known</span>
        ) : (
          <Verbatim>{props.children}</Verbatim>
        )}
      </dd>
    </div>
  );
}

function Statement({ statement }: { readonly statement: StatementView }): JSX.Element {
  return (
    <section class={`statement statement-${statement.outcome}`} id="statement">
      <h2>
        Statement <span class="count">revision {statement.revision}</span>
      </h2>
      <p class="outcome">
        <OutcomeMark outcome={statement.outcome} />
      </p>
      {statement.stop === null ? null : (
        <p class="stop">
          <StopMark kind={statement.stop.kind} /> {sentence(statement.stop.reason)} Issued{' '}
          <Moment at={statement.stop.issuedAt} /> with revision {statement.stop.statementRevision}.
        </p>
      )}
      <p class="small">
        Evaluated <Moment at={statement.evaluatedAt} /> on facts version {statement.factsVersion}.{' '}
        {statement.isOver
          ? 'Its time is over: ask for a fresh statement before acting.'
          : 'Ask for a fresh statement before acting; this one ends '}
        {statement.isOver ? null : <Moment at={statement.validUntil} />}
        {statement.isOver ? null : '.'}
      </p>
      {statement.plan === null ? null : (
        <p class="small">
          Plan: {statement.plan.kind}, {statement.plan.required} required, by decision{' '}
          {statement.plan.decision}.{' '}
          {statement.plan.afterFailure === undefined
            ? null
            : afterFailureWords(statement.plan.afterFailure)}
        </p>
      )}
      <ConditionTable conditions={statement.conditions} />
      <Decisions statement={statement} />
    </section>
  );
}

function afterFailureWords(
  after: NonNullable<NonNullable<StatementView['plan']>['afterFailure']>,
): string {
  const failed = `${after.failures} ${after.failures === 1 ? 'container' : 'containers'} failed`;
  const rule =
    after.rule === 'every' ? 'every container' : `${after.rule} more for each that failed`;
  return `${failed}: ${after.further} more are required (after a failure ${rule}).`;
}

/** What came without a full stop gets one, so that the next sentence begins as one. */
function sentence(text: string): string {
  return /[.!?…]$/.test(text) ? text : `${text}.`;
}

function Decisions({ statement }: { readonly statement: StatementView }): JSX.Element | null {
  if (statement.decisions.length === 0) return null;
  return (
    <>
      <h3>Site decisions it rests on</h3>
      <ul class="decisions">
        {statement.decisions.map((decision) => (
          <li key={decision.id}>
            <strong>
              <a href={decisionPath(decision.id)}>{decision.id}</a> · {decision.rule}
            </strong>{' '}
            {decision.decidedBy}, <time dateTime={decision.date}>{decision.date}</time>.{' '}
            {decision.reason}{' '}
            {decision.signature === undefined ? (
              'No signature of it holds.'
            ) : (
              <>
                Signed by {decision.signature.printedName},{' '}
                <time dateTime={decision.signature.at}>{decision.signature.at}</time>.
              </>
            )}
          </li>
        ))}
      </ul>
    </>
  );
}

const NO_PARTS: ReceiptPageParts = {
  review: null,
  signer: null,
  stops: null,
  lifter: null,
  inspections: null,
  labels: [],
  lostStops: 0,
  mayReject: false,
  said: NOTHING_SAID,
};

export function renderReceiptPage(
  view: ReceiptView,
  signedIn: SignedIn | null = null,
  parts: ReceiptPageParts = NO_PARTS,
): string {
  return renderPage(<ReceiptPage view={view} signedIn={signedIn} {...parts} />);
}
