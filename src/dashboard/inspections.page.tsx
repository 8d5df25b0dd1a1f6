import type { JSX } from 'preact';
import type { InspectionsView } from '../receipts/inspection-view.js';
import type { InspectedAttribute } from '../site/site-folder.js';
import { Field, Told } from './form-parts.js';
import { CountTable } from './inspection-counts.js';
import { ATTRIBUTE_WORDS, InspectionPlans } from './inspection-plans.js';
import { Layout } from './layout.js';
import type { ReviewFrame } from './page-site.js';
import { inspectionsPath, receiptPath } from './receipt-path.js';
import { renderPage } from './render-page.js';
import { type Signer, SignForm } from './sign-form.js';
import type { Said } from './signed-form.js';
import { useTyped } from './typed-form.js';
import { Verbatim } from './verbatim.js';

export interface InspectionsShown {
  readonly view: InspectionsView;
  readonly frame: ReviewFrame;
  /** null for who may not sign. */
  readonly signer: Signer | null;
  readonly said: Said;
}

export function renderInspections(shown: InspectionsShown): string {
  return renderPage(<InspectionsPage {...shown} />);
}

/** What a receipt's plans for labels and damage ask for, what was counted, and the form that enters a count. */
function InspectionsPage({ view, frame, signer, said }: InspectionsShown): JSX.Element {
  const { timeZone } = frame.site;
  return (
    <Layout title={`Labels and damage of ${view.receiptId}`} {...frame} sent={said.typed}>
      <p class="crumb">
        <a href={receiptPath(view.receiptId)}>The receipt’s page</a>
      </p>
      <h1>
        Labels and damage of receipt <Verbatim>{view.receiptId}</Verbatim>
      </h1>
      <Told notice={said.notice} />
      {view.plans.length === 0 ? (
        <p>No plan of the site asks for an inspection of this receipt.</p>
      ) : (
        <>
          <p>
            Take the containers at random from all {view.containers}. What counts as nonconforming
            is for the site’s procedure. A label that names another material is a mix-up, which no
            plan accepts.
          </p>
          <InspectionPlans view={view} />
        </>
      )}
      <section id="counted">
        <h2>
          What was counted <span class="count">{view.inspections.length}</span>
        </h2>
        <CountTable counts={view.inspections} view={view} timeZone={timeZone} />
      </section>
      {view.plans.length === 0 ? null : (
        <section id="enter">
          <h2>Enter a count</h2>
          {view.closed === null ? (
            <Form view={view} signer={signer} timeZone={timeZone} />
          ) : (
            <p>Not open: {view.closed}.</p>
          )}
        </section>
      )}
    </Layout>
  );
}

function Form(props: {
  readonly view: InspectionsView;
  readonly signer: Signer | null;
  readonly timeZone: string;
}): JSX.Element {
  const { view, signer } = props;
  const attributes = [...new Set(view.plans.map((plan) => plan.attribute))];
  return (
    <>
      <p>
        The worst count stands: no later one takes a rejection back, and counts are not added up. A
        correction is a further entry; a count that rejects and was entered wrongly is lifted by
        another person’s signature. What a plan rejects leaves the statement incomplete, stops a
        receipt that conformed, and waits for the quality unit.
      </p>
      <SignForm
        action={inspectionsPath(view.receiptId)}
        shown={view.sha256}
        signer={signer}
        whoMay="Reviewers who are signed in and measured nothing on this receipt enter counts here."
        reason={{ hint: 'Part of the signature: where the count is recorded.' }}
        meaning="Your signature means reviewed. Who signs a count is not the second person of the statement."
      >
        <fieldset>
          <legend>Looked at</legend>
          {attributes.map((attribute) => (
            <AttributeChoice
              key={attribute}
              attribute={attribute}
              isOnly={attributes.length === 1}
            />
          ))}
        </fieldset>
        <Field id="inspected" name="inspected" label="Containers inspected" type="number" />
        <Field id="nonconforming" name="nonconforming" label="Nonconforming ones" type="number" />
        <Field
          id="inspected-by"
          name="inspectedBy"
          label="Who looked"
          hint="Name of the person at the containers; it may be another one than the signer."
        />
        <Field
          id="inspected-at"
          name="inspectedAt"
          label="When"
          type="datetime-local"
          hint={`By the clocks of the site, ${props.timeZone}.`}
        />
      </SignForm>
    </>
  );
}

function AttributeChoice(props: {
  readonly attribute: InspectedAttribute;
  readonly isOnly: boolean;
}): JSX.Element {
  const { attribute, isOnly } = props;
  const typed = useTyped('attribute');
  return (
    <div class="choice">
      <input
        type="radio"
        id={`attribute-${attribute}`}
        name="attribute"
        value={attribute}
        checked={isOnly || typed === attribute}
        required
      />
      <label for={`attribute-${attribute}`}>{ATTRIBUTE_WORDS[attribute]}</label>
    </div>
  );
}
