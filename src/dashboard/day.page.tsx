import type { JSX } from 'preact';
import { render } from 'preact-render-to-string';
import type { DayView } from './day-view.js';
import { DiscrepancyList } from './discrepancy-list.js';
import { Layout } from './layout.js';
import { ReceiptLines } from './receipt-lines.js';
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
      <section aria-labelledby="stages-title">
        <h2 id="stages-title">From dock to statement</h2>
        <StageRow stages={view.stages} />
      </section>
      <section id="receipts" aria-labelledby="receipts-title">
        <h2 id="receipts-title">
          Receipt lines <span class="count">{view.receipts.length}</span>
        </h2>
        <ReceiptLines receipts={view.receipts} />
      </section>
      <section id="discrepancies" aria-labelledby="discrepancies-title">
        <h2 id="discrepancies-title">
          Open discrepancies{' '}
          <span class="count">{view.discrepancies.reduce((n, g) => n + g.count, 0)}</span>
        </h2>
        <DiscrepancyList groups={view.discrepancies} />
      </section>
    </Layout>
  );
}

export function renderDayPage(view: DayView, signedIn: SignedIn | null = null): string {
  return `<!doctype html>${render(<DayPage view={view} signedIn={signedIn} />)}`;
}
