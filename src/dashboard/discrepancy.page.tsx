import type { JSX } from 'preact';
import { render } from 'preact-render-to-string';
import type { DiscrepancyListView, DiscrepancyPageView, HistoryLineView } from './day-view.js';
import { DiscrepancyEntry } from './discrepancy-list.js';
import { Layout } from './layout.js';
import { Moment } from './marks.js';
import { Verbatim } from './verbatim.js';

function DiscrepancyPage({ view }: { readonly view: DiscrepancyPageView }): JSX.Element {
  const { item } = view;
  return (
    <Layout title={item.title} site={view.site} asOf={view.asOf}>
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
    </Layout>
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

function DiscrepancyListPage({ view }: { readonly view: DiscrepancyListView }): JSX.Element {
  return (
    <Layout title="Discrepancies" site={view.site} asOf={view.asOf}>
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

export function renderDiscrepancyPage(view: DiscrepancyPageView): string {
  return `<!doctype html>${render(<DiscrepancyPage view={view} />)}`;
}

export function renderDiscrepancyList(view: DiscrepancyListView): string {
  return `<!doctype html>${render(<DiscrepancyListPage view={view} />)}`;
}
