import type { JSX } from 'preact';
import type { Trace, TraceCandidate, TraceEvent, TraceStory } from '../statements/trace-view.js';
import { deliveryPath } from './delivery-path.js';
import { Layout } from './layout.js';
import { momentOf } from './local-time.js';
import { Moment } from './marks.js';
import type { ReviewFrame } from './page-site.js';
import { periodPath } from './period-path.js';
import { inPlainWords } from './plain-text.js';
import { receiptPath } from './receipt-path.js';
import { renderPage } from './render-page.js';
import { bundleReviewPath, reviewPath } from './review-path.js';
import { tracePath } from './trace-path.js';
import { Verbatim } from './verbatim.js';

export interface TraceShown {
  /** null before anything was asked for. */
  readonly trace: Trace | null;
  /** First event shown. */
  readonly start: number;
  /** How many of them at once. */
  readonly shown: number;
  readonly frame: ReviewFrame;
}

export function renderTrace(shown: TraceShown): string {
  return renderPage(<TracePage {...shown} />);
}

function TracePage({ trace, start, shown, frame }: TraceShown): JSX.Element {
  return (
    <Layout title="Trace" {...frame}>
      <p class="crumb">
        <a href="/">The day</a>
      </p>
      <h1>Trace</h1>
      <form class="trail-form trace-form" method="get" action="/trace">
        <div>
          <label for="trace-term">Any name of it, exactly as it is written</label>
          <input
            id="trace-term"
            name="term"
            type="search"
            value={trace?.term ?? ''}
            maxLength={200}
            autocomplete="off"
            spellcheck={false}
            autofocus={trace === null}
            required
            aria-describedby="trace-hint"
          />
        </div>
        <button type="submit">Trace it</button>
      </form>
      <p class="small" id="trace-hint">
        A container label, a result, a receipt, a lot, a bundle, a delivery or its key, the number a
        destination gave it, a stop, a closed period.
      </p>
      {trace === null ? null : trace.story === null ? (
        <Candidates trace={trace} />
      ) : (
        <Story term={trace.term} story={trace.story} start={start} shown={shown} frame={frame} />
      )}
    </Layout>
  );
}

function Candidates({ trace }: { readonly trace: Trace }): JSX.Element {
  const { term, candidates } = trace;
  if (candidates.length === 0) {
    return (
      <p role="status">
        Nothing here is named <Verbatim>{term}</Verbatim>. Upper and lower case and every zero
        count.
      </p>
    );
  }
  return (
    <section aria-labelledby="several-title">
      <h2 id="several-title">
        It stands for several <span class="count">{candidates.length}</span>
      </h2>
      <CandidateList candidates={candidates} term={term} />
    </section>
  );
}

function CandidateList(props: {
  readonly candidates: readonly TraceCandidate[];
  /** null: each is looked for by its own id. */
  readonly term: string | null;
}): JSX.Element {
  return (
    <ul class="group">
      {props.candidates.map((c) => {
        const chosen = `${c.kind}:${c.id}`;
        return (
          <li key={chosen}>
            {c.kind}{' '}
            <a href={tracePath(props.term ?? c.id, chosen)}>
              <Verbatim>{c.name}</Verbatim>
            </a>{' '}
            <span class="small">
              <Verbatim>{c.id}</Verbatim>, {c.by}
            </span>
          </li>
        );
      })}
    </ul>
  );
}

function Story(props: {
  readonly term: string;
  readonly story: TraceStory;
  readonly start: number;
  readonly shown: number;
  readonly frame: ReviewFrame;
}): JSX.Element {
  const { term, story, start, shown, frame } = props;
  const { of, related } = story;
  const events = story.events.slice(start, start + shown);
  const lines = folded(events);
  const chosen = `${of.kind}:${of.id}`;
  const more = (from: number) => `${tracePath(term, chosen)}&from=${from}`;
  return (
    <>
      <h2>
        {of.kind} <Verbatim>{of.name}</Verbatim>
      </h2>
      <p>
        Found by {of.by}. <OwnPage of={of} />
      </p>
      {related.length === 0 ? null : (
        <details open={related.length <= 5}>
          <summary>
            {of.kind === 'bundle' ? 'What it brought' : 'The bundles it came with'} (
            {related.length})
          </summary>
          <CandidateList candidates={related} term={null} />
        </details>
      )}
      <table class="story">
        <caption>
          {story.events.length === 0
            ? 'Nothing is kept of it'
            : `${story.events.length} events, ${start + 1} to ${start + events.length} shown, in the order they happened`}
        </caption>
        <thead>
          <tr>
            <th scope="col">When</th>
            <th scope="col">What</th>
            <th scope="col">In words</th>
          </tr>
        </thead>
        <tbody>
          {lines.map(({ event, times, last }, i) => (
            // A story may tell the same of one thing twice.
            <tr key={`${start + i}`}>
              <td data-label="When">
                <Moment at={momentOf(event.at, frame.site.timeZone)} />
              </td>
              <td data-label="What">
                <EventLink event={event} of={of} />
              </td>
              <td data-label="In words">
                <Verbatim>{inPlainWords(event.what, frame.site.timeZone)}</Verbatim>
                {times === 1 ? null : (
                  <span class="small">
                    {' '}
                    {times} times, the last <Moment at={momentOf(last, frame.site.timeZone)} />
                  </span>
                )}
              </td>
            </tr>
          ))}
        </tbody>
      </table>
      <nav class="days" aria-label="Events">
        {start === 0 ? null : (
          <a rel="prev" href={more(Math.max(0, start - shown))}>
            earlier events
          </a>
        )}
        {start + shown < story.events.length ? (
          <a rel="next" href={more(start + shown)}>
            later events
          </a>
        ) : null}
      </nav>
      {story.isCut ? <p class="late">There is more of one kind than is read here.</p> : null}
    </>
  );
}

interface Line {
  readonly event: TraceEvent;
  readonly times: number;
  /** RFC 3339 in UTC. */
  readonly last: string;
}

/** The same thing said again and again (ERP asks for a statement every few seconds) is one line with a count. */
function folded(events: readonly TraceEvent[]): Line[] {
  const lines: Line[] = [];
  for (const event of events) {
    const before = lines.at(-1);
    if (before && before.event.kind === event.kind && before.event.what === event.what) {
      lines[lines.length - 1] = { ...before, times: before.times + 1, last: event.at };
    } else lines.push({ event, times: 1, last: event.at });
  }
  return lines;
}

function OwnPage({ of }: { readonly of: TraceCandidate }): JSX.Element {
  switch (of.kind) {
    case 'receipt':
      return <a href={receiptPath(of.id)}>Its receipt page</a>;
    case 'bundle':
      return <a href={bundleReviewPath(of.id)}>Its page</a>;
    case 'result':
      return (
        <>
          It belongs to no receipt. <a href={reviewPath(of.id)}>Its page</a>
        </>
      );
    case 'period':
      return <a href={periodPath(of.id)}>Its page</a>;
  }
}

/** Where an event can be looked at by itself; a word where it cannot. */
function EventLink(props: {
  readonly event: TraceEvent;
  readonly of: TraceCandidate;
}): JSX.Element {
  const { event, of } = props;
  const href = hrefOf(event, of);
  if (href === null) return <>{event.kind}</>;
  return <a href={href}>{event.kind}</a>;
}

function hrefOf({ kind, id }: TraceEvent, of: TraceCandidate): string | null {
  switch (kind) {
    case 'bundle':
      return of.kind === 'bundle' ? bundleReviewPath(id) : tracePath(id, `bundle:${id}`);
    case 'result':
      return reviewPath(id);
    case 'statement':
    case 'stop':
    case 'pull':
      return of.kind === 'receipt'
        ? `${receiptPath(of.id)}#${kind === 'stop' ? 'stops' : 'statement'}`
        : null;
    case 'delivery':
    case 'attempt':
    case 'read-back':
      return deliveryPath(id);
    case 'addendum':
      return of.kind === 'period' ? periodPath(of.id) : null;
    default:
      return null;
  }
}
