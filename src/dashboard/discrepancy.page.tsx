import type { JSX } from 'preact';
import type { DiscrepancyListView, DiscrepancyPageView, HistoryLineView } from './day-view.js';
import { DiscrepancyEntry } from './discrepancy-list.js';
import { Field, OwnForm } from './form-parts.js';
import { Layout } from './layout.js';
import { Moment } from './marks.js';
import { renderPage } from './render-page.js';
import type { SignedIn } from './signed-in.js';
import { type TypedForm, useTyped } from './typed-form.js';
import { Verbatim } from './verbatim.js';

/** Who may comment, the token that shows the form came from this page, and what a second click is known by; null for a reader. */
export interface Commenter {
  readonly formToken: string;
  readonly sentAs: string;
}

interface DiscrepancyShown {
  readonly view: DiscrepancyPageView;
  readonly signedIn: SignedIn | null;
  readonly commenter: Commenter | null;
  /** What is wrong with what was just sent, in words, and what that was; null when nothing was sent. */
  readonly refused: { readonly fault: string; readonly typed: TypedForm } | null;
}

function DiscrepancyPage({ view, signedIn, commenter, refused }: DiscrepancyShown): JSX.Element {
  const { item } = view;
  return (
    <Layout
      title={item.title}
      site={view.site}
      asOf={view.asOf}
      signedIn={signedIn}
      sent={refused?.typed ?? null}
    >
      <p class="crumb">
        <a href="/">The day</a> · <a href="/discrepancies">Open discrepancies</a>
      </p>
      <h1>
        {item.title}: {item.closedAt === null ? 'open' : 'closed'}
      </h1>
      <div class="group">
        <DiscrepancyEntry item={item} />
      </div>
      <p>
        {view.meaning}. Only {view.closedBy} closes it; a comment never does. While it is open it
        counts, also when a period is closed over it.
      </p>
      <section aria-labelledby="history-title">
        <h2 id="history-title">History</h2>
        <History lines={view.history} />
      </section>
      {commenter === null ? null : (
        <section aria-labelledby="comment-title">
          <h2 id="comment-title">Comment</h2>
          {refused === null ? null : <p class="late">{refused.fault}</p>}
          <OwnForm action={item.href} token={commenter.formToken}>
            <input type="hidden" name="sentAs" value={commenter.sentAs} />
            <CommentText />
            <Field
              id="reference"
              name="reference"
              label="Evidence it refers to, if any"
              isOptional
            />
            <button type="submit">Comment</button>
            <p class="small">
              It stays in the history and the trail under your name. It closes nothing.
            </p>
          </OwnForm>
        </section>
      )}
    </Layout>
  );
}

function CommentText(): JSX.Element {
  return (
    <p class="field">
      <label for="text">What you found or did</label>
      <textarea id="text" name="text" rows={4} maxLength={2000} required>
        {useTyped('text')}
      </textarea>
    </p>
  );
}

function History({ lines }: { readonly lines: readonly HistoryLineView[] }): JSX.Element {
  return (
    <table class="history">
      <thead>
        <tr>
          <th scope="col">When</th>
          <th scope="col">Who</th>
          <th scope="col">What</th>
          <th scope="col">In words</th>
        </tr>
      </thead>
      <tbody>
        {lines.map((line, i) => (
          <tr key={`${line.at.iso}-${i}`}>
            <td data-label="When">
              <Moment at={line.at} />
            </td>
            <td data-label="Who">
              <Verbatim>{line.who}</Verbatim>
            </td>
            <td data-label="What">{line.what}</td>
            <td data-label="In words">{line.text}</td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

function DiscrepancyListPage({
  view,
  signedIn,
}: {
  readonly view: DiscrepancyListView;
  readonly signedIn: SignedIn | null;
}): JSX.Element {
  return (
    <Layout title="Discrepancies" site={view.site} asOf={view.asOf} signedIn={signedIn}>
      <p class="crumb">
        <a href="/">The day</a>
      </p>
      <h1>Discrepancies</h1>
      {view.filter.length === 0 ? null : (
        <p class="small">
          {view.filter.map(([name, value]) => (
            <span key={name}>
              {name}: <Verbatim>{value}</Verbatim>{' '}
            </span>
          ))}
        </p>
      )}
      {view.items.length === 0 ? (
        <p class="none">None.</p>
      ) : (
        <ul class="group">
          {view.items.map((item) => (
            <li key={item.href}>
              <DiscrepancyEntry item={item} />
            </li>
          ))}
        </ul>
      )}
      {view.next === null ? null : (
        <p>
          <a rel="next" href={view.next}>
            Next page
          </a>
        </p>
      )}
    </Layout>
  );
}

export function renderDiscrepancyPage(shown: DiscrepancyShown): string {
  return renderPage(<DiscrepancyPage {...shown} />);
}

export function renderDiscrepancyList(
  view: DiscrepancyListView,
  signedIn: SignedIn | null,
): string {
  return renderPage(<DiscrepancyListPage view={view} signedIn={signedIn} />);
}
