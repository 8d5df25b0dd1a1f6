import type { JSX } from 'preact';
import type { LostStopView } from '../statements/lost-stop.js';
import { FactsTable } from './facts-table.js';
import { Field, Told } from './form-parts.js';
import { Layout } from './layout.js';
import { momentOf } from './local-time.js';
import { ManifestList } from './manifest-list.js';
import { ConditionMark, Moment } from './marks.js';
import type { ReviewFrame } from './page-site.js';
import { inPlainWords } from './plain-text.js';
import { lostStopsPath, receiptPath } from './receipt-path.js';
import { renderPage } from './render-page.js';
import { ActOpening, type Signer, SignForm } from './sign-form.js';
import type { Said } from './signed-form.js';
import { tracePath } from './trace-path.js';
import { Verbatim } from './verbatim.js';
import { CONDITION_TITLES } from './wording.js';

export interface LostStopsShown {
  readonly view: LostStopView;
  readonly frame: ReviewFrame;
  /** null for who may not sign. */
  readonly signer: Signer | null;
  readonly said: Said;
}

export function renderLostStops(shown: LostStopsShown): string {
  return renderPage(<LostStopsPage {...shown} />);
}

/** Stops that destinations hold and a restore lost here, what the receipt rests on, and the form that acknowledges them. */
function LostStopsPage({ view, frame, signer, said }: LostStopsShown): JSX.Element {
  const { timeZone } = frame.site;
  const because = view.acknowledge.because.map((text) => inPlainWords(text, timeZone));
  return (
    <Layout title={`Lost stops of ${view.receiptId}`} {...frame} sent={said.typed}>
      <p class="crumb">
        <a href={receiptPath(view.receiptId)}>The receipt’s page</a> ·{' '}
        <a href={tracePath(view.receiptId)}>Its whole story</a>
      </p>
      <h1>
        Stops of receipt <Verbatim>{view.receiptId}</Verbatim> that a restore lost
      </h1>
      <Told notice={said.notice} />
      {view.lost.length === 0 ? null : (
        <>
          <p>
            Destinations hold these stops. They were sent in the time that a restore took out of the
            database, so nothing here says any more why. While they stand, the receipt does not
            conform.
          </p>
          <section id="lost">
            <h2>
              What destinations hold <span class="count">{view.lost.length}</span>
            </h2>
            <Held view={view} timeZone={timeZone} />
          </section>
          <section id="rests-on">
            <h2>What the receipt rests on</h2>
            <p class="small">
              A stop that stands in this database is left out; what destinations hold above stands
              among the open discrepancies.
            </p>
            <Conditions view={view} timeZone={timeZone} />
          </section>
        </>
      )}
      {view.signatures.length === 0 ? null : (
        <section id="signatures">
          <h2>Acknowledged by signature</h2>
          <ManifestList signatures={view.signatures} />
        </section>
      )}
      <section id="acknowledge">
        <h2>Acknowledge them</h2>
        {view.lost.length === 0 ? null : <Caution />}
        <ActOpening act={{ ...view.acknowledge, because }} lead="Open. Once you sign:" />
        {view.acknowledge.possible ? (
          <SignForm
            action={lostStopsPath(view.receiptId)}
            shown={view.sha256}
            signer={signer}
            whoMay="Quality signers who are signed in and measured nothing on this receipt acknowledge its lost stops here."
            reason={{ hint: 'Part of the signature: what the stops were about, and how you know.' }}
            meaning="Your signature means lifted, and names every stop above."
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
      {view.lost.length === 0 ? null : (
        <section id="shown">
          <h2>What a signature covers</h2>
          <details>
            <summary>Every stop as it is listed, and what the receipt rests on</summary>
            <FactsTable value={view.shown.record} />
          </details>
        </section>
      )}
    </Layout>
  );
}

function Caution(): JSX.Element {
  return (
    <p>
      Find out first what the lost time knew: why it was stopped there, which drums were measured,
      which receipt lines were announced or changed. If any of it is not here again, bring it in
      before you sign. Drumline reports; the quality unit releases.
    </p>
  );
}

function Held(props: { readonly view: LostStopView; readonly timeZone: string }): JSX.Element {
  const { lost } = props.view;
  return (
    <table>
      <thead>
        <tr>
          <th scope="col">Destination</th>
          <th scope="col">Its number there</th>
          <th scope="col">Revision</th>
          <th scope="col">Held since</th>
          <th scope="col">As it is listed</th>
        </tr>
      </thead>
      <tbody>
        {lost.map((stop) => (
          <tr key={`${stop.destination} ${stop.identity}`}>
            <th scope="row">
              <Verbatim>{stop.destination}</Verbatim>
            </th>
            <td data-label="Its number there">
              <Verbatim>{stop.reference ?? stop.identity}</Verbatim>
            </td>
            <td data-label="Revision">{stop.revision ?? <span class="none">not said</span>}</td>
            <td data-label="Held since">
              {stop.heldAt === null ? (
                <span class="none">not said</span>
              ) : (
                <Moment at={momentOf(stop.heldAt, props.timeZone)} />
              )}
            </td>
            <td data-label="As it is listed">
              <FactsTable value={stop.item} />
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

function Conditions(props: {
  readonly view: LostStopView;
  readonly timeZone: string;
}): JSX.Element {
  return (
    <table>
      <thead>
        <tr>
          <th scope="col">Condition</th>
          <th scope="col">State</th>
          <th scope="col">Found</th>
        </tr>
      </thead>
      <tbody>
        {props.view.conditions.map(({ code, state, found }) => (
          <tr key={code}>
            <th scope="row">{CONDITION_TITLES[code]}</th>
            <td data-label="State">
              <ConditionMark state={state} />
            </td>
            <td data-label="Found">{inPlainWords(found, props.timeZone)}</td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}
