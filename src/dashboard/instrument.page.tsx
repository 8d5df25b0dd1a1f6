import type { JSX } from 'preact';
import type { ShownCheck, ShownPerformance } from '../statements/performance-view.js';
import { performanceCausePath } from './instrument-path.js';
import { LastSync, Service } from './instrument-service.js';
import { InstrumentTrends } from './instrument-trends.js';
import { Layout } from './layout.js';
import { momentOf } from './local-time.js';
import { Moment, TrendMark, VerdictMark } from './marks.js';
import type { ReviewFrame } from './page-site.js';
import { renderPage } from './render-page.js';
import { signedText } from './trend-geometry.js';
import { Verbatim } from './verbatim.js';

/** Checks of one page; the API has all that are trended. */
const SHOWN_MAX = 100;

export function renderInstrument(view: ShownPerformance, frame: ReviewFrame): string {
  return renderPage(<InstrumentPage view={view} frame={frame} />);
}

export function renderNoInstrument(frame: ReviewFrame): string {
  const page = (
    <Layout title="No such instrument" {...frame}>
      <Crumb />
      <h1>No such instrument</h1>
      <p>No instrument with this serial is registered, and none was heard.</p>
    </Layout>
  );
  return renderPage(page);
}

function InstrumentPage(props: {
  readonly view: ShownPerformance;
  readonly frame: ReviewFrame;
}): JSX.Element {
  const { view, frame } = props;
  const { timeZone } = frame.site;
  const { registered } = view;
  return (
    <Layout title={view.serial} {...frame}>
      <Crumb />
      <h1>
        Instrument <Verbatim>{view.serial}</Verbatim>
      </h1>
      <dl class="identity">
        <Fact name="Model">{registered?.model ?? null}</Fact>
        <Fact name="Area">{registered?.area ?? null}</Fact>
        <div>
          <dt>Last sync</dt>
          <dd>
            <LastSync of={view} timeZone={timeZone} />
          </dd>
        </div>
        <div>
          <dt>Service</dt>
          <dd>
            <Service of={view} timeZone={timeZone} />
          </dd>
        </div>
      </dl>
      <p class="small">{view.caution}</p>
      <section id="checks" aria-labelledby="checks-title">
        <h2 id="checks-title">Performance checks</h2>
        {view.checks.length === 0 ? (
          <p class="none">None was taken in.</p>
        ) : (
          <Checks view={view} timeZone={timeZone} />
        )}
      </section>
      <InstrumentTrends trends={view.trend} timeZone={timeZone} />
    </Layout>
  );
}

function Crumb(): JSX.Element {
  return (
    <p class="crumb">
      <a href="/">The day</a> · <a href="/instruments">Instruments</a>
    </p>
  );
}

function Fact(props: { readonly name: string; readonly children: string | null }): JSX.Element {
  return (
    <div>
      <dt>{props.name}</dt>
      <dd>
        {props.children === null ? (
          <span class="none">unknown</span>
        ) : (
          <Verbatim>{props.children}</Verbatim>
        )}
      </dd>
    </div>
  );
}

function Checks(props: {
  readonly view: ShownPerformance;
  readonly timeZone: string;
}): JSX.Element {
  const { view, timeZone } = props;
  const newest = [...view.checks].reverse();
  return (
    <>
      <table class="checks">
        <caption>Newest first, as they were judged when they were taken in</caption>
        <thead>
          <tr>
            <th scope="col">Checked at</th>
            <th scope="col">Run</th>
            <th scope="col">Standard</th>
            <th scope="col">Reported</th>
            <th scope="col">Judged</th>
            <th scope="col">Worst deviation</th>
            <th scope="col">Cause</th>
          </tr>
        </thead>
        <tbody>
          {newest.slice(0, SHOWN_MAX).map((check) => (
            <CheckRow key={check.rowId} check={check} timeZone={timeZone} />
          ))}
        </tbody>
      </table>
      {newest.length <= SHOWN_MAX ? null : (
        <p class="small">
          {newest.length - SHOWN_MAX} older ones have no room here:{' '}
          <a href={`/api/v1/instruments/${encodeURIComponent(view.serial)}/performance`}>
            all of them as JSON
          </a>
        </p>
      )}
    </>
  );
}

function CheckRow(props: { readonly check: ShownCheck; readonly timeZone: string }): JSX.Element {
  const { check, timeZone } = props;
  return (
    <tr id={`check-${check.rowId}`}>
      <th scope="row">
        <Moment at={momentOf(check.checkedAt, timeZone)} />
        <span class="small">
          {' '}
          <Verbatim>{check.checkId}</Verbatim>
        </span>
      </th>
      <td data-label="Run">
        {check.run}
        {check.epoch === 0 ? null : <span class="small"> epoch {check.epoch}</span>}
      </td>
      <td data-label="Standard">
        <Verbatim>{check.standard}</Verbatim>
      </td>
      <td data-label="Reported">{check.reported === 'pass' ? 'passed' : 'failed'}</td>
      <td data-label="Judged">
        <VerdictMark verdict={check.verdict} />
      </td>
      <td data-label="Worst deviation">
        {check.worst === null ? (
          <span class="none">no band judged</span>
        ) : (
          <>
            {signedText(check.worst.deviation)} cm⁻¹ at {check.worst.expected}{' '}
            <span class="small">tolerance {check.worst.tolerance}</span>{' '}
            <TrendMark state={check.worst.state} />
          </>
        )}
      </td>
      <td data-label="Cause">
        <Cause check={check} timeZone={timeZone} />
      </td>
    </tr>
  );
}

function Cause({
  check,
  timeZone,
}: {
  readonly check: ShownCheck;
  readonly timeZone: string;
}): JSX.Element {
  if (check.verdict !== 'fail') return <span class="none">not asked for</span>;
  if (check.cause === null) {
    return (
      <>
        <strong>not signed</strong>
        <span class="small">
          {' '}
          <a href={performanceCausePath(check.rowId)}>
            what it leaves in doubt, and sign its cause
          </a>
        </span>
      </>
    );
  }
  const { by, at, reason } = check.cause;
  return (
    <>
      <a href={performanceCausePath(check.rowId)}>
        <Verbatim>{reason}</Verbatim>
      </a>
      <span class="small">
        {' '}
        signed by <Verbatim>{by}</Verbatim> <Moment at={momentOf(at, timeZone)} />
      </span>
    </>
  );
}
