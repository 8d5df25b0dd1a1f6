import type { JSX } from 'preact';
import type {
  MethodHistoryEntry,
  MethodState,
  MethodSummary,
  MethodView,
} from '../methods/method-view.js';
import { FactsTable } from './facts-table.js';
import { Layout } from './layout.js';
import { momentOf } from './local-time.js';
import { Moment } from './marks.js';
import { methodPath } from './methods-source.js';
import type { ReviewFrame } from './page-site.js';
import { renderPage } from './render-page.js';
import { Verbatim } from './verbatim.js';

/** What each state means for a result, in a line. */
const STATE_WORDS: Readonly<Record<MethodState, readonly [word: string, means: string]>> = {
  proposed: ['proposed', 'nothing is judged by it before it is approved'],
  scheduled: ['scheduled', 'comes into force later'],
  'in-force': ['in force', 'what is measured now counts by it'],
  'not-listed': ['not listed', 'the site folder lists it no more; what was measured before counts'],
  retired: ['retired', 'what was measured before counts'],
  invalidated: ['found wrong', 'nothing measured by it counts, whenever that was'],
};

const HISTORY_WORDS: Readonly<Record<MethodHistoryEntry['kind'], string>> = {
  listed: 'listed by the site folder',
  left: 'left the site folder',
  approved: 'approved',
  retired: 'retired',
  invalidated: 'found wrong',
};

export function renderMethods(list: readonly MethodSummary[], frame: ReviewFrame): string {
  return renderPage(<MethodsPage list={list} frame={frame} />);
}

export function renderMethod(view: MethodView, frame: ReviewFrame): string {
  return renderPage(<MethodPage view={view} frame={frame} />);
}

export function renderNoMethod(frame: ReviewFrame): string {
  const page = (
    <Layout title="No such method" {...frame}>
      <Crumb />
      <h1>No such method</h1>
      <p>No version of a method is registered under this id and version.</p>
    </Layout>
  );
  return renderPage(page);
}

function MethodsPage(props: {
  readonly list: readonly MethodSummary[];
  readonly frame: ReviewFrame;
}): JSX.Element {
  const { list, frame } = props;
  const { timeZone } = frame.site;
  return (
    <Layout title="Methods" {...frame}>
      <p class="crumb">
        <a href="/">The day</a>
      </p>
      <h1>Methods</h1>
      <p>
        A result is judged by the version that was in force when it was measured. Versions are
        proposed, approved and ended with <code>drumline method</code> or over the API; each of
        these acts stands in the trail.
      </p>
      {list.length === 0 ? (
        <p>No method is registered.</p>
      ) : (
        <table class="methods">
          <caption>Every version, also those that are retired or left the site folder</caption>
          <thead>
            <tr>
              <th scope="col">Method and version</th>
              <th scope="col">Material</th>
              <th scope="col">State</th>
              <th scope="col">In force</th>
              <th scope="col">Approved by</th>
            </tr>
          </thead>
          <tbody>
            {list.map((m) => (
              <tr key={`${m.id} ${m.version}`}>
                <th scope="row">
                  <a href={methodPath(m)}>
                    <Verbatim>{`${m.id} version ${m.version}`}</Verbatim>
                  </a>
                  <span class="small">
                    {' '}
                    <Verbatim>{m.title}</Verbatim>
                  </span>
                </th>
                <td data-label="Material">
                  <Verbatim>{m.material}</Verbatim>
                </td>
                <td data-label="State">{STATE_WORDS[m.state][0]}</td>
                <td data-label="In force">
                  <InForce of={m} timeZone={timeZone} />
                </td>
                <td data-label="Approved by">
                  <Approvals of={m} />
                </td>
              </tr>
            ))}
          </tbody>
        </table>
      )}
    </Layout>
  );
}

function MethodPage(props: {
  readonly view: MethodView;
  readonly frame: ReviewFrame;
}): JSX.Element {
  const { view, frame } = props;
  const { timeZone } = frame.site;
  const [word, means] = STATE_WORDS[view.state];
  const title = `${view.id} version ${view.version}`;
  return (
    <Layout title={title} {...frame}>
      <Crumb />
      <h1>
        <Verbatim>{title}</Verbatim>
      </h1>
      <p>
        <Verbatim>{view.title}</Verbatim>
      </p>
      <p>
        <strong>{word}</strong>: {means}.
      </p>
      <p>
        In force: <InForce of={view} timeZone={timeZone} />
      </p>
      <section id="approvals">
        <h2>Approvals</h2>
        <p>
          <Approvals of={view} />
        </p>
        {view.notRecomputable === null ? null : (
          <p>
            Results count without a recheck by decision <Verbatim>{view.notRecomputable}</Verbatim>,
            once it is signed.
          </p>
        )}
      </section>
      <section id="history">
        <h2>What became of it</h2>
        <History view={view} timeZone={timeZone} />
      </section>
      <section id="content">
        <h2>Content</h2>
        <p class="small">
          Results name it by the digest <code>{view.contentDigest}</code>. It never changes.
        </p>
        <FactsTable value={view.content} />
        {view.referenceSha256 === null ? null : (
          <p>
            <a href={`/api/v1${methodPath(view)}/reference`}>Reference spectrum as CSV</a>
          </p>
        )}
      </section>
    </Layout>
  );
}

function Crumb(): JSX.Element {
  return (
    <p class="crumb">
      <a href="/methods">Methods</a>
    </p>
  );
}

function InForce(props: { readonly of: MethodSummary; readonly timeZone: string }): JSX.Element {
  const { of, timeZone } = props;
  const at = (text: string) => <Moment at={momentOf(text, timeZone)} />;
  const sinceWhen = of.state === 'proposed' ? 'from its approval on' : 'since ever';
  const gaps = of.notListed.filter((gap) => gap.from !== null);
  return (
    <>
      {of.effectiveFrom === null ? sinceWhen : <>from {at(of.effectiveFrom)}</>}
      {of.retiredAt === null ? null : <> to {at(of.retiredAt)}</>}
      {gaps.map((gap) => (
        <span class="small" key={gap.from}>
          {' '}
          not listed from {at(gap.from ?? '')}
          {gap.to === null ? ' on' : <> to {at(gap.to)}</>}
        </span>
      ))}
      {of.invalidatedAt === null ? null : (
        <span class="small"> found wrong at {at(of.invalidatedAt)}</span>
      )}
    </>
  );
}

function Approvals({ of }: { readonly of: MethodSummary }): JSX.Element {
  if (of.approvals.length === 0) return <span class="none">nobody</span>;
  return (
    <>
      {of.approvals.map((a) => (
        <span key={a.id}>
          {a.by === 'decision' ? 'decision ' : 'signature '}
          <Verbatim>{a.id}</Verbatim>{' '}
        </span>
      ))}
    </>
  );
}

function History(props: { readonly view: MethodView; readonly timeZone: string }): JSX.Element {
  const { view, timeZone } = props;
  const proposed = `${view.source === 'api' ? 'proposed' : 'registered'} by ${view.proposedBy}`;
  return (
    <ol>
      <li>
        <Moment at={momentOf(view.proposedAt, timeZone)} /> <Verbatim>{proposed}</Verbatim>
      </li>
      {view.history.map((event, index) => {
        const signature = view.signatures[event.signatureId ?? ''];
        const from = event.effectiveFrom ?? event.retiredAt;
        return (
          <li key={`${event.at} ${index}`}>
            <Moment at={momentOf(event.at, timeZone)} /> {HISTORY_WORDS[event.kind]}
            {from === undefined ? null : (
              <>
                , {event.retiredAt === undefined ? 'in force from' : 'in force until'}{' '}
                <Moment at={momentOf(from, timeZone)} />
              </>
            )}
            {signature === undefined ? null : (
              <>
                , signed by <Verbatim>{signature.printedName}</Verbatim>:{' '}
                <Verbatim>{signature.reason}</Verbatim>
              </>
            )}
          </li>
        );
      })}
    </ol>
  );
}
