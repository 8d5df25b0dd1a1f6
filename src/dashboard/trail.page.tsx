import type { JSX } from 'preact';
import { Layout } from './layout.js';
import { Moment } from './marks.js';
import { renderPage } from './render-page.js';
import type { SignedIn } from './signed-in.js';
import {
  type ChangeView,
  TRAIL_FIELDS,
  type TrailEntryView,
  type TrailField,
  type TrailQuery,
  type TrailView,
} from './trail-view.js';
import { Verbatim } from './verbatim.js';

const LABELS: Readonly<Record<TrailField, string>> = {
  from: 'From day',
  to: 'To day',
  actor: 'User name, or id of who',
  action: 'Action begins with',
  subject: 'Id of what was changed',
  reason: 'Reason contains',
};

/** The trail, latest first. Nothing on it changes anything. */
export function renderTrailPage(view: TrailView, signedIn: SignedIn | null = null): string {
  return renderPage(
    <Layout title="Trail" site={view.site} asOf={view.asOf} signedIn={signedIn}>
      <h1>Trail</h1>
      <p>
        Who changed what, when, from where and why. Entries are never edited or deleted; those
        without a number are sealed within a second. <code>drumline audit verify</code> says whether
        they are as they were sealed. <a href="/trail/review">Review of the trail</a>: what is due,
        and what was signed.
      </p>
      <TrailForm query={view.query} />
      {view.fault === null ? <Entries view={view} /> : <p role="alert">{view.fault}</p>}
      <p class="crumb">
        <a href="/">The day</a>
      </p>
    </Layout>,
  );
}

function TrailForm({ query }: { readonly query: TrailQuery }): JSX.Element {
  return (
    <form class="trail-form" method="get" action="/trail">
      {TRAIL_FIELDS.map((name) => (
        <div key={name}>
          <label for={`trail-${name}`}>{LABELS[name]}</label>
          {name === 'from' || name === 'to' ? (
            <input id={`trail-${name}`} name={name} type="date" value={query[name] ?? ''} />
          ) : (
            <input
              id={`trail-${name}`}
              name={name}
              type="text"
              value={query[name] ?? ''}
              maxLength={200}
            />
          )}
        </div>
      ))}
      <button type="submit">Look</button> <a href="/trail">All entries</a>
    </form>
  );
}

function Entries({ view }: { readonly view: TrailView }): JSX.Element {
  if (view.entries.length === 0) return <p>No entry fits.</p>;
  return (
    <>
      <table class="trail">
        <caption>{view.entries.length} entries, the latest first</caption>
        <thead>
          <tr>
            <th scope="col">When</th>
            <th scope="col">Who, from where</th>
            <th scope="col">What</th>
            <th scope="col">Before and after</th>
            <th scope="col">Seal</th>
          </tr>
        </thead>
        <tbody>
          {view.entries.map((entry) => (
            <EntryRow key={entry.id} entry={entry} />
          ))}
        </tbody>
      </table>
      {view.next === null ? null : (
        <p>
          <a href={`/trail?${view.next}`} rel="next">
            Earlier entries
          </a>
        </p>
      )}
    </>
  );
}

function EntryRow({ entry }: { readonly entry: TrailEntryView }): JSX.Element {
  return (
    <tr>
      <td>
        <Moment at={entry.at} />
      </td>
      <td>
        {entry.userName === null ? (
          entry.actor
        ) : (
          <>
            person <Verbatim>{entry.userName}</Verbatim>{' '}
            <span class="small">{entry.actor.slice('person '.length)}</span>
          </>
        )}
        {entry.source === null ? null : <span class="small"> {entry.source}</span>}
      </td>
      <td>
        <strong>{entry.action}</strong> <span class="small">{entry.subject}</span>
        {entry.reason === null ? null : <p class="small">Reason: {entry.reason}</p>}
      </td>
      <td>
        <Changes changes={entry.changes} />
      </td>
      <td>
        {entry.seal === null ? (
          'waits for its seal'
        ) : (
          <>
            no. {entry.seal.sequence} <span class="small">{entry.seal.hash}</span>
          </>
        )}
      </td>
    </tr>
  );
}

function Changes({ changes }: { readonly changes: readonly ChangeView[] }): JSX.Element | null {
  if (changes.length === 0) return null;
  return (
    <dl class="facts">
      {changes.map(({ name, before, after }) => (
        <div key={name}>
          <dt>{name}</dt>
          <dd>
            {before === null ? null : <del>{before}</del>}{' '}
            {after === null ? null : <ins>{after}</ins>}
          </dd>
        </div>
      ))}
    </dl>
  );
}
