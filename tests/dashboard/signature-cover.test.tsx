import { render } from 'preact-render-to-string';
import { describe, expect, it } from 'vitest';
import { renderBundleReview } from '../../src/dashboard/bundle-review.page.js';
import { renderCause } from '../../src/dashboard/cause.page.js';
import { PageSite } from '../../src/dashboard/page-site.js';
import { renderPerformanceCause } from '../../src/dashboard/performance-cause.page.js';
import { ReceiptStops } from '../../src/dashboard/receipt-stops.js';
import { renderRejection } from '../../src/dashboard/rejection.page.js';
import { NOTHING_SAID } from '../../src/dashboard/signed-form.js';
import { text } from './html.js';
import { at } from './sample-views.js';

const SITE = new PageSite({
  site: 'northquay',
  title: 'Northquay',
  environment: 'training',
  simulated: true,
  timeZone: 'Europe/London',
});
const frame = SITE.frame({ kind: 'machine' } as never, at('2026-06-04T13:20:11Z'));
const signer = { formToken: 'token', components: 'both' } as never;

/** A record with members that no page has words of its own for. */
const shown = {
  subject: { kind: 'kind', id: 'id', revision: 1 },
  record: { deep: { member: 'only the record says this' } },
  context: null,
};
const sha256 = 'c'.repeat(64);
const option = { possible: true, because: [], effects: ['it takes effect'] };
const said = NOTHING_SAID;

const PAGES: Readonly<Record<string, () => string>> = {
  'the rejection of a container': () => {
    const view = {
      receiptId: 'R-1',
      container: 'C-1',
      splitOffTo: null,
      results: [],
      reject: option,
      shown,
      sha256,
      signatures: [],
    };
    return renderRejection({ view, frame, signer, said });
  },
  'the cause of a contrary result': () => {
    const view = {
      rowId: 'row-1',
      resultId: 'res-1',
      receiptId: 'R-1',
      container: 'C-1',
      state: 'accepted' as const,
      decision: 'fail',
      series: [],
      cause: option,
      shown,
      sha256,
      signatures: [],
    };
    return renderCause({ view, frame, signer, said });
  },
  'the cause of a failed check': () => {
    const view = {
      rowId: 'row-1',
      checkId: 'check-1',
      epoch: 1,
      run: 1,
      checkedAt: '2026-06-04T10:00:00Z',
      standard: 'polystyrene',
      verdict: 'fail' as const,
      instrument: 'NQ-R-0001',
      followed: [],
      receipts: [],
      cause: option,
      shown,
      sha256,
      signatures: [],
    };
    return renderPerformanceCause({ view, frame, signer, said });
  },
  'the refusal of a bundle': () => {
    const about = {
      rowId: 'row-1',
      bundleId: 'b-1',
      state: 'held',
      instrument: 'NQ-R-0001',
      receivedAt: '2026-06-04T10:00:00Z',
      findings: [],
      results: [],
    } as never;
    const refuse = { ...option, gaps: [] };
    const view = { about, refuse, shown, sha256, signatures: [] };
    return renderBundleReview({ view, frame, signer, said });
  },
  'the lift of a stop': () => {
    const stops = { receiptId: 'R-1', stops: [], inForce: 's-1', lift: option, shown, sha256 };
    return render(<ReceiptStops stops={stops} signer={signer} timeZone="Europe/London" />);
  },
};

describe('what a signature covers', () => {
  it.each(Object.entries(PAGES))('stands on the page of %s, with its digest', (_name, page) => {
    const read = text(page());
    expect(read).toContain('/deep/member only the record says this');
    expect(read).toContain(`What a signature covers Its digest is ${sha256}`);
  });
});
