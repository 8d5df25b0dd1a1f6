import { describe, expect, test } from 'vitest';
import { renderPeriod } from '../../src/dashboard/period.page.js';
import { NOTHING_SAID } from '../../src/dashboard/signed-form.js';
import type { SignedPeriod } from '../../src/reconciliation/period-document.js';
import type { PeriodReport } from '../../src/reconciliation/period-report.js';
import type { SignatureManifest } from '../../src/signatures/signature.js';
import { fragments, text } from './html.js';
import { at, sampleDay } from './sample-views.js';

const PERIOD: SignedPeriod = {
  site: 'northquay',
  environment: 'training',
  simulated: true,
  timeZone: 'Europe/London',
  from: '2026-06-03T23:00:00.000000Z',
  to: '2026-06-04T23:00:00.000000Z',
  counts: {
    receipts: 0,
    expectedContainers: 0,
    measuredContainers: 0,
    acceptedResults: 0,
    heldResults: 0,
    refusedResults: 0,
    supersededResults: 0,
    heldBundles: 0,
    refusedBundles: 0,
    deliveredResults: 0,
    confirmedResults: 0,
    byDestination: [],
  },
  stops: 0,
  statements: [],
  groups: [],
  carriedOver: [],
  resolved: [],
  notListed: 0,
};

const SIGNATURE = {
  meaning: 'closed',
  printedName: 'Q. Signer (simulated)',
  userName: 'q.signer',
  at: '2026-06-05T08:00:00.000000Z',
  zone: 'Europe/London',
  reason: 'looked at',
  shownSha256: '0'.repeat(64),
} as SignatureManifest;

describe('the page of a closed period', () => {
  test('shows of an open addendum exactly what its form would sign', () => {
    const early = { subject: 'result:1', detail: 'a result came late' };
    const report: PeriodReport = {
      id: 'period-1',
      siteTitle: 'Northquay (simulated)',
      period: PERIOD,
      signature: SIGNATURE,
      addenda: [
        {
          number: 1,
          openedAt: at('2026-06-05T09:00:00Z'),
          changes: [{ at: at('2026-06-05T09:00:00Z'), ...early }],
          signature: null,
        },
      ],
      deliveries: [],
    };
    // One more came between reading the report and reading what is to be signed.
    const changes = [
      { at: '2026-06-05T09:00:00.000000Z', ...early },
      { at: '2026-06-05T09:00:01.000000Z', subject: 'stop:1', detail: 'a stop was found' },
    ];
    const { site, asOf } = sampleDay();
    const html = renderPeriod({
      report,
      addendum: { signed: { number: 1, changes }, sha256: 'a'.repeat(64) },
      frame: { site, asOf, signedIn: null },
      signer: { formToken: 'token', components: 'password' },
      said: NOTHING_SAID,
    });
    expect(html).toContain(`value="${'a'.repeat(64)}"`);
    const table = /<table class="changes">.*?<\/table>/s.exec(html)?.[0] ?? '';
    const rows = fragments(fragments(table, 'tbody')[0] ?? '', 'tr').map(text);
    expect(rows).toHaveLength(2);
    expect(rows[1]).toContain('a stop was found');
  });
});
