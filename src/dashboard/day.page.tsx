import type { JSX } from 'preact';
import type { DayView } from './day-view.js';
import { DiscrepancyList } from './discrepancy-list.js';
import { dayPath } from './discrepancy-path.js';
import { Layout } from './layout.js';
import { ReceiptLines } from './receipt-lines.js';
import { renderPage } from './render-page.js';
import type { SignedIn } from './signed-in.js';
import { StageRow } from './stage-row.js';

interface Shown {
  readonly view: DayView;
  readonly signedIn: SignedIn | null;
}

function DayPage({ view, signedIn }: Shown): JSX.Element {
  return (
    <Layout title={view.day} site={view.site} asOf={view.asOf} signedIn={signedIn}>
      <h1>
        The day <time dateTime={view.day}>{view.day}</time>
      </h1>
      <nav class="days" aria-label="Days">
        <a rel="prev" href={dayPath(view.previous)}>
          {view.previous}
        </a>
        {view.isToday ? <span>today, so far</span> : <a href="/">today</a>}
        <a rel="next" href={dayPath(view.next)}>
          {view.next}
        </a>
      </nav>
      <section aria-labelledby="stages-title">
        <h2 id="stages-title">From dock to statement</h2>
        <StageRow stages={view.stages} />
      </section>
      <section id="receipts" aria-labelledby="receipts-title">
        <h2 id="receipts-title">
          Receipt lines <span class="count">{view.receipts.length + view.moreReceipts}</span>
        </h2>
        <ReceiptLines receipts={view.receipts} />
        {view.moreReceipts === 0 ? null : (
          <p class="none">
            {view.moreReceipts} more have no room here; those that need a person come first.
          </p>
        )}
      </section>
      <section id="discrepancies" aria-labelledby="discrepancies-title">
        <h2 id="discrepancies-title">
          {view.isToday ? 'Open discrepancies' : 'Discrepancies open at the end of the day'}{' '}
          <span class="count">{view.discrepancies.reduce((n, g) => n + g.count, 0)}</span>
        </h2>
        <DiscrepancyList groups={view.discrepancies} />
      </section>
    </Layout>
  );
}

export function renderDayPage(view: DayView, signedIn: SignedIn | null = null): string {
  return renderPage(<DayPage view={view} signedIn={signedIn} />);
}
