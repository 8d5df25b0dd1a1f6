import type { JSX } from 'preact';
import type { ActReport } from '../delivery/delivery-act-answer.js';
import type { DeliveryPage, ShownDelivery, StoppedCount } from '../delivery/shown-delivery.js';
import type { MomentView, SiteView } from './day-view.js';
import { ActForms, BulkForm } from './delivery-forms.js';
import { ActTable, AttemptTable } from './delivery-history.js';
import { deliveryPath, stoppedPath } from './delivery-path.js';
import { Told } from './form-parts.js';
import { Layout } from './layout.js';
import { momentOf } from './local-time.js';
import { Moment } from './marks.js';
import { receiptPath } from './receipt-path.js';
import { renderPage } from './render-page.js';
import type { Said } from './signed-form.js';
import type { SignedIn } from './signed-in.js';
import { Verbatim } from './verbatim.js';
import { STANDING_WORDS } from './wording.js';

export interface DeliveryFrame {
  readonly site: SiteView;
  readonly asOf: MomentView;
  readonly signedIn: SignedIn | null;
  /** null for who may only read. */
  readonly formToken: string | null;
}

export interface StoppedView {
  readonly counts: readonly StoppedCount[];
  readonly deliveries: readonly ShownDelivery[];
  readonly destination: string | null;
  readonly fault: string | null;
  /** Where the next page begins; null on the last one. */
  readonly next: string | null;
  /** What came of an act on several. */
  readonly reports: readonly ActReport[];
}

function StoppedPage(props: {
  readonly view: StoppedView;
  readonly frame: DeliveryFrame;
  readonly said: Said;
}): JSX.Element {
  const { view, frame, said } = props;
  const of = { ...(view.destination ? { destination: view.destination } : {}), fault: view.fault };
  return (
    <Layout title="Stopped deliveries" {...frame} sent={said.typed}>
      <p class="crumb">
        <a href="/">The day</a>
      </p>
      <h1>Stopped deliveries</h1>
      <p>
        What a destination refused, or what nobody can say has arrived. Nothing of it moves until a
        person decides; what comes later about the same thing waits behind it.
      </p>
      <Told notice={said.notice} />
      {view.reports.length === 0 ? null : <Reports reports={view.reports} />}
      <Counts counts={view.counts} />
      {view.deliveries.length === 0 ? (
        <p class="none">No delivery waits for a person here.</p>
      ) : (
        <StoppedTable deliveries={view.deliveries} frame={frame} />
      )}
      {view.next === null ? null : (
        <p>
          <a rel="next" href={stoppedPath({ ...of, after: view.next })}>
            Next page
          </a>
        </p>
      )}
      {frame.formToken === null || view.destination === null || view.fault === null ? null : (
        <BulkForm
          deliveries={view.deliveries}
          destination={view.destination}
          fault={view.fault}
          token={frame.formToken}
        />
      )}
    </Layout>
  );
}

/** Groups with one cause: the way to act on all of them at once. */
function Counts({ counts }: { readonly counts: readonly StoppedCount[] }): JSX.Element | null {
  if (counts.length === 0) return null;
  return (
    <ul class="plain-list">
      {counts.map(({ destination, state, fault, count }) => (
        <li key={`${destination} ${state} ${fault ?? ''}`}>
          <a href={stoppedPath({ destination, fault })}>
            {destination}: {state}
            {fault === null || fault === state ? '' : `, ${fault}`}
          </a>{' '}
          <span class="count">{count}</span>
        </li>
      ))}
    </ul>
  );
}

function Reports({ reports }: { readonly reports: readonly ActReport[] }): JSX.Element {
  return (
    <table>
      <caption>What was done</caption>
      <thead>
        <tr>
          <th scope="col">Delivery</th>
          <th scope="col">Done</th>
          <th scope="col">Why not</th>
        </tr>
      </thead>
      <tbody>
        {reports.map((report) => (
          <tr key={report.id}>
            <th scope="row">
              <a href={deliveryPath(report.isDone ? report.deliveryId : report.id)}>
                <code>{report.id}</code>
              </a>
            </th>
            <td data-label="Done">{report.isDone ? report.done : 'nothing'}</td>
            <td data-label="Why not">{report.isDone ? '' : `${report.found}. ${report.remedy}`}</td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

function StoppedTable(props: {
  readonly deliveries: readonly ShownDelivery[];
  readonly frame: DeliveryFrame;
}): JSX.Element {
  const { deliveries, frame } = props;
  return (
    <table>
      <caption>Oldest first</caption>
      <thead>
        <tr>
          <th scope="col">Delivery</th>
          <th scope="col">Destination</th>
          <th scope="col">Since</th>
          <th scope="col">State and cause</th>
          <th scope="col">Receipt</th>
          <th scope="col">Open acts</th>
        </tr>
      </thead>
      <tbody>
        {deliveries.map((d) => (
          <tr key={d.id}>
            <th scope="row">
              <a href={deliveryPath(d.id)}>
                {d.message}, revision {d.revision}, build {d.build}
              </a>
              <p class="small">
                <Verbatim>{d.about}</Verbatim>
              </p>
            </th>
            <td data-label="Destination">{d.destination}</td>
            <td data-label="Since">
              <Moment at={momentOf(d.createdAt, frame.site.timeZone)} />
            </td>
            <td data-label="State and cause">
              <strong>{d.state}</strong>
              {d.fault === null || d.fault === d.state ? '' : `, ${d.fault}`}
              <p class="small">{STANDING_WORDS[d.standing]}</p>
              {d.reason === null ? null : (
                <p class="small reason">
                  <Verbatim>{d.reason}</Verbatim>
                </p>
              )}
            </td>
            <td data-label="Receipt">
              <Receipt id={d.receiptId} />
            </td>
            <td data-label="Open acts">{openActs(d) || <span class="none">nothing</span>}</td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

function openActs({ resend, rebuild, retire }: ShownDelivery): string {
  const open = [
    resend.can ? (resend.does === 'ask-first' ? 'resend (asks first)' : 'resend') : null,
    rebuild.can ? 'rebuild' : null,
    retire.can ? 'retire' : null,
  ];
  return open.filter((act) => act !== null).join(', ');
}

function Receipt({ id }: { readonly id: string | null }): JSX.Element {
  if (id === null) return <span class="none">none</span>;
  return (
    <a href={receiptPath(id)}>
      <Verbatim>{id}</Verbatim>
    </a>
  );
}

function OneDelivery(props: {
  readonly page: DeliveryPage;
  readonly frame: DeliveryFrame;
  readonly said: Said;
}): JSX.Element {
  const { page, frame, said } = props;
  const d = page.delivery;
  const title = `${d.message} for ${d.destination}, build ${d.build}`;
  return (
    <Layout title={title} {...frame} sent={said.typed}>
      <p class="crumb">
        <a href="/">The day</a> · <a href="/deliveries">Stopped deliveries</a>
      </p>
      <h1>
        {title}: {d.state}
      </h1>
      <Told notice={said.notice} />
      <Facts page={page} />
      <ActForms delivery={d} token={frame.formToken} />
      <section aria-labelledby="attempts-title">
        <h2 id="attempts-title">Attempts and read-backs</h2>
        <AttemptTable attempts={page.attempts} timeZone={frame.site.timeZone} />
      </section>
      <section aria-labelledby="acts-title">
        <h2 id="acts-title">What people had done</h2>
        <ActTable acts={page.acts} timeZone={frame.site.timeZone} />
      </section>
    </Layout>
  );
}

type Row = readonly [name: string, value: JSX.Element | string];

const CONFIRMED = 'A read-back showed that the destination holds it as it was sent.';

function Facts({ page }: { readonly page: DeliveryPage }): JSX.Element {
  const d = page.delivery;
  const builds = page.builds.filter((b) => b.id !== d.id);
  const rows: Row[] = [
    ['What is known', d.state === 'confirmed' ? CONFIRMED : STANDING_WORDS[d.standing]],
    ...(d.fault === null ? [] : [['Cause', d.fault] as Row]),
    ...(d.reason === null ? [] : [['In words', <Verbatim>{d.reason}</Verbatim>] as Row]),
    ['Subject', <Verbatim>{`${d.about}, revision ${d.revision}`}</Verbatim>],
    ...(d.about === d.subjectId ? [] : [['Subject id', <code>{d.subjectId}</code>] as Row]),
    ['Receipt', <Receipt id={d.receiptId} />],
    ['Reference and key', <code>{`${d.id}, ${d.idempotencyKey}`}</code>],
    ['Number there', d.destinationReference ?? 'none'],
    [
      'Mapping',
      d.mappingInForce === null || d.mappingInForce === d.mapping
        ? `${d.mapping.slice(0, 12)}…, which is in force`
        : `${d.mapping.slice(0, 12)}…; in force is ${d.mappingInForce.slice(0, 12)}…`,
    ],
    [
      'Other builds',
      builds.length === 0 ? (
        'none'
      ) : (
        <span>
          {builds.map((b) => (
            <span key={b.id}>
              <a href={deliveryPath(b.id)}>build {b.build}</a>, {b.state}{' '}
            </span>
          ))}
        </span>
      ),
    ],
  ];
  return (
    <table class="facts-table">
      <tbody>
        {rows.map(([name, value]) => (
          <tr key={name}>
            <th scope="row">{name}</th>
            <td>{value}</td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

export function renderStopped(view: StoppedView, frame: DeliveryFrame, said: Said): string {
  return renderPage(<StoppedPage view={view} frame={frame} said={said} />);
}

export function renderDelivery(page: DeliveryPage, frame: DeliveryFrame, said: Said): string {
  return renderPage(<OneDelivery page={page} frame={frame} said={said} />);
}
