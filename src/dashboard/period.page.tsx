import type { JSX } from 'preact';
import { formatInstant } from '../formats/instant.js';
import type { SignedAddendum, SignedPeriod } from '../reconciliation/period-document.js';
import {
  type PeriodReport,
  periodStateWords,
  type ReportedAddendum,
  revisionWords,
} from '../reconciliation/period-report.js';
import type { SignatureManifest } from '../signatures/signature.js';
import type { PeriodProposal } from '../statements/period-view.js';
import { ClosingForm } from './closing-form.js';
import { deliveryPath } from './delivery-path.js';
import { Told } from './form-parts.js';
import { Layout } from './layout.js';
import { moment, momentOf } from './local-time.js';
import { Moment } from './marks.js';
import type { ReviewFrame } from './page-site.js';
import { addendumPath, closingPath, periodFilePath } from './period-path.js';
import { PeriodTables } from './period-tables.js';
import { inPlainWords } from './plain-text.js';
import { renderPage } from './render-page.js';
import type { Signer } from './sign-form.js';
import type { Said } from './signed-form.js';
import { Verbatim } from './verbatim.js';

export interface ClosingShown {
  readonly proposal: PeriodProposal;
  /** As the address names it. */
  readonly asked: { readonly from: string; readonly to: string };
  readonly frame: ReviewFrame;
  readonly signer: Signer | null;
  readonly said: Said;
}

export interface PeriodShown {
  readonly report: PeriodReport;
  /** What the open addendum would sign, which may have grown since the report was read; null when none is open. */
  readonly addendum: { readonly signed: SignedAddendum; readonly sha256: string } | null;
  readonly frame: ReviewFrame;
  readonly signer: Signer | null;
  readonly said: Said;
}

/** A period that is not closed: what closing it would sign, and the form. */
export function renderClosing(shown: ClosingShown): string {
  return renderPage(<ClosingPage {...shown} />);
}

export function renderPeriod(shown: PeriodShown): string {
  return renderPage(<PeriodPage {...shown} />);
}

function ClosingPage({ proposal, asked, frame, signer, said }: ClosingShown): JSX.Element {
  const period = proposal.document as unknown as SignedPeriod;
  return (
    <Layout title="Close a period" {...frame} sent={said.typed}>
      <Head title={nameOf(asked)} period={period} said={said} state="not closed" />
      <PeriodTables period={period} timeZone={frame.site.timeZone} />
      <section aria-labelledby="sign-title">
        <h2 id="sign-title">Close it</h2>
        <ClosingForm
          action={closingPath(asked.from, asked.to)}
          shown={proposal.sha256}
          signer={signer}
          reasonHint="Part of the signature: what you looked at, and what is done about what is open."
        />
      </section>
    </Layout>
  );
}

function PeriodPage({ report, addendum, frame, signer, said }: PeriodShown): JSX.Element {
  const { period, addenda } = report;
  const { timeZone } = frame.site;
  return (
    <Layout title="Closed period" {...frame} sent={said.typed}>
      <Head title="Closed period" period={period} said={said} state={periodStateWords(addenda)} />
      <p>
        As{' '}
        {(['pdf', 'html', 'csv', 'json'] as const).map((format, i) => (
          <span key={format}>
            {i === 0 ? '' : ' · '}
            <a href={periodFilePath(report.id, format)}>{format.toUpperCase()}</a>
          </span>
        ))}
      </p>
      <section aria-labelledby="signatures-title">
        <h2 id="signatures-title">What was signed, and by whom</h2>
        <ul class="signatures">
          <SignedAct what="The close" signature={report.signature} />
          {addenda.map((a) =>
            a.signature === null ? null : (
              <SignedAct key={a.number} what={`Addendum ${a.number}`} signature={a.signature} />
            ),
          )}
        </ul>
      </section>
      {addenda.map((a) => (
        <Addendum
          key={a.number}
          addendum={a}
          changes={addendum?.signed.number === a.number ? addendum.signed.changes : changesOf(a)}
          timeZone={timeZone}
        >
          {addendum?.signed.number !== a.number ? null : (
            <ClosingForm
              action={addendumPath(report.id, a.number)}
              shown={addendum.sha256}
              signer={signer}
              reasonHint="Part of the signature: why it came late, and where that is recorded."
            />
          )}
        </Addendum>
      ))}
      <section aria-labelledby="sent-title">
        <h2 id="sent-title">Sent to destinations</h2>
        <Deliveries report={report} timeZone={timeZone} />
      </section>
      <p class="crumb">What follows is what the close signed, as it was then.</p>
      <PeriodTables period={period} timeZone={timeZone} />
    </Layout>
  );
}

function Head(props: {
  readonly title: string;
  readonly period: SignedPeriod;
  readonly state: string;
  readonly said: Said;
}): JSX.Element {
  const { period, said } = props;
  return (
    <>
      <p class="crumb">
        <a href="/periods">Days and periods</a>
      </p>
      <h1>{props.title}</h1>
      <Told notice={said.notice} />
      <p>
        Measured from <Moment at={momentOf(period.from, period.timeZone)} /> and before{' '}
        <Moment at={momentOf(period.to, period.timeZone)} />, {period.timeZone}. It is{' '}
        <strong>{props.state}</strong>.
      </p>
    </>
  );
}

const DAY_LENGTH = '2026-11-25'.length;

function nameOf({ from, to }: ClosingShown['asked']): string {
  if (from.length > DAY_LENGTH || to.length > DAY_LENGTH) return 'Close a period';
  return from === to ? `Close the day ${from}` : `Close the days ${from} to ${to}`;
}

function SignedAct(props: {
  readonly what: string;
  readonly signature: SignatureManifest;
}): JSX.Element {
  const { what, signature: s } = props;
  return (
    <li>
      <p>
        {what}: <strong>{s.meaning}</strong> by <Verbatim>{s.printedName}</Verbatim> (
        <Verbatim>{s.userName}</Verbatim>), <Moment at={momentOf(s.at, s.zone)} />, {s.zone}
      </p>
      <p>
        <Verbatim>{s.reason}</Verbatim>
      </p>
      <p class="small">
        SHA-256 of what was signed: <code class="digest">{s.shownSha256}</code>
      </p>
    </li>
  );
}

function changesOf({ changes }: ReportedAddendum): SignedAddendum['changes'] {
  return changes.map(({ at, ...change }) => ({ at: formatInstant(at), ...change }));
}

function Addendum(props: {
  readonly addendum: ReportedAddendum;
  readonly changes: SignedAddendum['changes'];
  readonly timeZone: string;
  readonly children: JSX.Element | null;
}): JSX.Element {
  const { addendum: a, changes, timeZone } = props;
  const id = `addendum-${a.number}`;
  return (
    <section aria-labelledby={id}>
      <h2 id={id}>
        Addendum {a.number} <span class="count">{changes.length}</span>{' '}
        {a.signature === null ? <span class="small tone-open">open, not signed</span> : null}
      </h2>
      <table class="changes">
        <thead>
          <tr>
            <th scope="col">Noted</th>
            <th scope="col">What changed</th>
          </tr>
        </thead>
        <tbody>
          {changes.map((c) => (
            <tr key={`${c.at} ${c.subject} ${c.detail}`}>
              <td data-label="Noted">
                <Moment at={momentOf(c.at, timeZone)} />
              </td>
              <td data-label="What changed">
                <Verbatim>{inPlainWords(c.detail, timeZone)}</Verbatim>
              </td>
            </tr>
          ))}
        </tbody>
      </table>
      {props.children}
    </section>
  );
}

function Deliveries(props: {
  readonly report: PeriodReport;
  readonly timeZone: string;
}): JSX.Element {
  const { deliveries } = props.report;
  if (deliveries.length === 0) {
    return <p class="none">Nothing: no destination had a message for closed periods then.</p>;
  }
  return (
    <table>
      <thead>
        <tr>
          <th scope="col">Destination</th>
          <th scope="col">Message</th>
          <th scope="col">State</th>
          <th scope="col">Number there</th>
        </tr>
      </thead>
      <tbody>
        {deliveries.map((d) => (
          <tr key={d.id}>
            <th scope="row">
              <a href={deliveryPath(d.id)}>
                <Verbatim>{d.destination}</Verbatim>
              </a>
            </th>
            <td data-label="Message">{revisionWords(d.revision)}</td>
            <td data-label="State">
              {d.state}
              {d.confirmedAt === null ? null : (
                <span class="small">
                  {' '}
                  <Moment at={moment(d.confirmedAt, props.timeZone)} />
                </span>
              )}
              {d.reason === null ? null : (
                <p class="small">
                  <Verbatim>{d.reason}</Verbatim>
                </p>
              )}
            </td>
            <td data-label="Number there">
              {d.reference === null ? (
                <span class="none">none yet</span>
              ) : (
                <Verbatim>{d.reference}</Verbatim>
              )}
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}
