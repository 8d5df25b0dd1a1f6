import type { JSX } from 'preact';
import type {
  ClosedPeriod,
  DayState,
  ListedDay,
  PeriodDays,
} from '../reconciliation/period-days.js';
import type { Period } from '../reconciliation/site-day.js';
import type { NoticeView } from './account-view.js';
import { dayPath } from './discrepancy-path.js';
import { Told } from './form-parts.js';
import { Layout } from './layout.js';
import { moment } from './local-time.js';
import { Moment } from './marks.js';
import type { ReviewFrame } from './page-site.js';
import { closingPath, periodPath } from './period-path.js';
import { renderPage } from './render-page.js';

/** What was typed into the form for another period, to be corrected. */
export interface AskedPeriod {
  readonly from: string;
  readonly to: string;
}

export interface PeriodListShown {
  readonly list: PeriodDays;
  readonly frame: ReviewFrame;
  readonly asked: AskedPeriod | null;
  readonly notice: NoticeView | null;
}

export function renderPeriodList(shown: PeriodListShown): string {
  return renderPage(<PeriodListPage {...shown} />);
}

function PeriodListPage({ list, frame, asked, notice }: PeriodListShown): JSX.Element {
  return (
    <Layout title="Periods" {...frame}>
      <p class="crumb">
        <a href="/">The day</a>
      </p>
      <h1>Days and periods</h1>
      <Told notice={notice} />
      <p>
        A day is closed by signature once it is over. What comes later counts on the day it was
        measured and opens a numbered addendum, which is signed in its turn.
      </p>
      <table class="period-days">
        <thead>
          <tr>
            <th scope="col">Day</th>
            <th scope="col">State</th>
            <th scope="col">Results</th>
            <th scope="col">Addenda</th>
            <th scope="col">What to do</th>
          </tr>
        </thead>
        <tbody>
          {list.days.map((day) => (
            <DayRow key={day.day} day={day} />
          ))}
        </tbody>
      </table>
      <nav class="days" aria-label="Days">
        {list.isLatest ? null : <a href="/periods">up to today</a>}
        <a rel="next" href={`/periods?before=${list.next}`}>
          earlier days
        </a>
      </nav>
      {list.others.length === 0 ? null : (
        <section aria-labelledby="others-title">
          <h2 id="others-title">Closed periods that are no single day</h2>
          <Others periods={list.others} timeZone={frame.site.timeZone} />
        </section>
      )}
      <section aria-labelledby="another-title">
        <h2 id="another-title">Another period</h2>
        <form class="trail-form" method="get" action="/periods/close">
          <End name="from" label="From day or instant" value={asked?.from ?? ''} />
          <End name="to" label="To day (included) or instant" value={asked?.to ?? ''} />
          <button type="submit">Show what closing it signs</button>
        </form>
        <p class="small">
          A day such as 2026-11-25, or an instant with its offset such as 2026-11-25T06:00:00Z. It
          shares no time with a period that is closed.
        </p>
      </section>
    </Layout>
  );
}

function End(props: {
  readonly name: string;
  readonly label: string;
  readonly value: string;
}): JSX.Element {
  const id = `period-${props.name}`;
  return (
    <div>
      <label for={id}>{props.label}</label>
      <input id={id} name={props.name} type="text" value={props.value} maxLength={64} required />
    </div>
  );
}

const STATE_WORDS: Readonly<Record<DayState, string>> = {
  running: 'not over',
  open: 'open',
  closed: 'closed',
  partly: 'partly closed',
};

function DayRow({ day }: { readonly day: ListedDay }): JSX.Element {
  const { results, periods } = day;
  return (
    <tr>
      <th scope="row">
        <a href={dayPath(day.day)}>
          <time dateTime={day.day}>{day.day}</time>
        </a>
        {day.hours === 24 ? null : <span class="small"> {day.hours} h</span>}
      </th>
      <td data-label="State">
        {day.state === 'closed' ? <strong>closed</strong> : STATE_WORDS[day.state]}
      </td>
      <td data-label="Results">
        {results === null ? (
          <span class="none">none</span>
        ) : (
          `${results.accepted} accepted, ${results.held} held, ${results.confirmed} confirmed`
        )}
      </td>
      <td data-label="Addenda">
        {periods.length === 0 ? (
          <span class="none">none</span>
        ) : (
          periods.map((p) => <Addenda key={p.id} period={p} />)
        )}
      </td>
      <td data-label="What to do">
        {periods.map((p) => (
          <p key={p.id}>
            <a href={periodPath(p.id)}>
              {p.openAddendum === null ? 'Look at it' : `Sign addendum ${p.openAddendum}`}
            </a>
          </p>
        ))}
        {day.state === 'open' ? <a href={closingPath(day.day, day.day)}>Close it</a> : null}
        {day.state === 'running' ? <span class="none">wait for its end</span> : null}
        {day.state === 'partly' ? (
          <span class="small">what is left of it is another period, below</span>
        ) : null}
      </td>
    </tr>
  );
}

function Addenda({ period }: { readonly period: ClosedPeriod }): JSX.Element {
  const { signedAddenda, openAddendum } = period;
  if (signedAddenda === 0 && openAddendum === null) return <p class="none">none</p>;
  return (
    <p>
      {signedAddenda === 0 ? null : `${signedAddenda} signed`}
      {signedAddenda === 0 || openAddendum === null ? null : ', '}
      {openAddendum === null ? null : <strong class="tone-open">{openAddendum} is open</strong>}
    </p>
  );
}

function Others(props: {
  readonly periods: readonly ClosedPeriod[];
  readonly timeZone: string;
}): JSX.Element {
  return (
    <ul class="group">
      {props.periods.map((p) => (
        <li key={p.id}>
          <a href={periodPath(p.id)}>
            <Span period={p} timeZone={props.timeZone} />
          </a>
          <Addenda period={p} />
        </li>
      ))}
    </ul>
  );
}

/** Begin and end of a period by the site's clock. */
export function Span(props: { readonly period: Period; readonly timeZone: string }): JSX.Element {
  return (
    <>
      <Moment at={moment(props.period.from, props.timeZone)} /> to{' '}
      <Moment at={moment(props.period.to, props.timeZone)} />
    </>
  );
}
