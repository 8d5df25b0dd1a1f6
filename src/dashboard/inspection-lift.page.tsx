import type { JSX } from 'preact';
import type { InspectionLiftView, InspectionsView } from '../receipts/inspection-view.js';
import { FactsTable } from './facts-table.js';
import { Field, Told } from './form-parts.js';
import { CountTable } from './inspection-counts.js';
import { ATTRIBUTE_WORDS } from './inspection-plans.js';
import { Layout } from './layout.js';
import type { ReviewFrame } from './page-site.js';
import { inspectionLiftPath, inspectionsPath, receiptPath } from './receipt-path.js';
import { renderPage } from './render-page.js';
import { ActOpening, type Signer, SignForm } from './sign-form.js';
import type { Said } from './signed-form.js';
import { Verbatim } from './verbatim.js';

export interface InspectionLiftShown {
  readonly view: InspectionLiftView;
  readonly inspections: InspectionsView;
  readonly frame: ReviewFrame;
  /** null for who may not sign. */
  readonly signer: Signer | null;
  readonly said: Said;
}

export function renderInspectionLift(shown: InspectionLiftShown): string {
  return renderPage(<InspectionLiftPage {...shown} />);
}

/** A count that rejects, what lifting it does, and the form that signs that. */
function InspectionLiftPage(props: InspectionLiftShown): JSX.Element {
  const { view, inspections, frame, signer, said } = props;
  const count = inspections.inspections.filter(({ id }) => id === view.inspection?.id);
  const id = view.inspection?.id ?? '';
  const { because, ...lift } = view.lift;
  return (
    <Layout title={`Count of ${view.receiptId}`} {...frame} sent={said.typed}>
      <p class="crumb">
        <a href={receiptPath(view.receiptId)}>The receipt’s page</a> ·{' '}
        <a href={inspectionsPath(view.receiptId)}>Labels and damage</a>
      </p>
      <h1>
        A count of{' '}
        {view.inspection === null ? '' : ATTRIBUTE_WORDS[view.inspection.attribute].toLowerCase()}{' '}
        of receipt <Verbatim>{view.receiptId}</Verbatim>
      </h1>
      <Told notice={said.notice} />
      <section id="count">
        <h2>What was counted</h2>
        <CountTable
          counts={count}
          view={inspections}
          timeZone={frame.site.timeZone}
          leadsToLift={false}
        />
      </section>
      <section id="lift">
        <h2>Lift it</h2>
        <p>
          Only for a count that says something else than was seen: a wrong number, the wrong
          receipt. A count that was true when it was made stays, whatever became of the containers
          since. Drumline reports; the quality unit releases.
        </p>
        <ActOpening
          act={{ ...lift, because: because === null ? [] : [because] }}
          lead="Open. Once you sign:"
        />
        {lift.possible ? (
          <SignForm
            action={inspectionLiftPath(view.receiptId, id)}
            shown={view.sha256}
            signer={signer}
            whoMay="Quality signers who are signed in, did not enter the count and measured nothing on this receipt lift it here."
            reason={{
              hint: 'Part of the signature: what is wrong with the count, and how you know.',
            }}
            meaning="Your signature means lifted."
          >
            <Field
              id="investigation"
              name="investigation"
              label="Investigation number"
              hint="Where what was found is recorded; part of the signature."
            />
          </SignForm>
        ) : null}
      </section>
      <section id="shown">
        <h2>What a signature covers</h2>
        <details>
          <summary>The plans and every count of the receipt</summary>
          <FactsTable value={view.shown.record} />
        </details>
      </section>
    </Layout>
  );
}
