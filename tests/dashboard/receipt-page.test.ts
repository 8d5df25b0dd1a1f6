import { describe, expect, test } from 'vitest';
import { CONTRARY_SHOWN_MAX } from '../../src/dashboard/contrary-results.js';
import { renderUnknownReceipt } from '../../src/dashboard/message.page.js';
import { renderReceiptPage } from '../../src/dashboard/receipt.page.js';
import { CONDITION_NEXT, CONDITION_TITLES } from '../../src/dashboard/wording.js';
import type { ConditionCode } from '../../src/records/statement-record.js';
import { fragments, ids, text } from './html.js';
import { condition, sampleReceipt, statement } from './sample-views.js';

describe('receipt page', () => {
  test('shows every condition with its state, what was found, what to do if it is not met, and its evidence', () => {
    const codes = Object.keys(CONDITION_TITLES) as ConditionCode[];
    const record = statement({
      conditions: codes.map((code, index) =>
        condition({
          code,
          state: (['met', 'unmet', 'contradicted', 'not-evaluated'] as const)[index % 4] ?? 'unmet',
          found: `found ${code}`,
          evidence: [{ kind: 'decision', id: `evidence of ${code}` }],
        }),
      ),
    });
    const table = fragments(renderReceiptPage(sampleReceipt(record)), 'table')[0] ?? '';
    const rows = fragments(fragments(table, 'tbody')[0] ?? '', 'tr').map(text);
    expect(rows).toHaveLength(codes.length);
    const words = ['met', 'not met yet', 'contradicted', 'not evaluated'];
    codes.forEach((code, index) => {
      const next = index % 4 === 0 ? '' : ` ${CONDITION_NEXT[code]}`;
      expect(rows[index]).toBe(
        `${CONDITION_TITLES[code]} ${words[index % 4]} found ${code}${next} decision evidence of ${code}`,
      );
    });
  });

  test('lists the containers the statement lists, and the results behind each', () => {
    const html = renderReceiptPage(sampleReceipt());
    const section = /<section id="containers">.*?<\/section>/s.exec(html)?.[0] ?? '';
    expect(text(section)).toContain('D-01 covered yes NQ-R-0001:1:12');
    expect(text(section)).toContain('D-02 contrary yes NQ-R-0002:1:118');
  });

  test('says of each contrary result what its cause is worth, and where the list is cut', () => {
    const page = (count: number) => {
      const contrary = Array.from({ length: count }, (_, i) => ({
        rowId: `row-${i}`,
        name: `NQ-R-0001:1:${i}`,
        decision: 'fail',
        state: 'accepted',
        cause: (['none', 'signed', 'void'] as const)[i % 3] ?? 'none',
      }));
      const html = renderReceiptPage({ ...sampleReceipt(), contrary });
      return text(/<section id="contrary">.*?<\/section>/s.exec(html)?.[0] ?? '');
    };
    const few = page(CONTRARY_SHOWN_MAX);
    expect(few).toContain('NQ-R-0001:1:0 says fail and is accepted; no cause is signed.');
    expect(few).toContain('NQ-R-0001:1:1 says fail and is accepted; what caused it is signed.');
    expect(few).toMatch(/NQ-R-0001:1:2 says fail and is accepted; .* is void: it counts as if/);
    expect(few).not.toContain('have room here');
    const many = page(CONTRARY_SHOWN_MAX + 1);
    expect(many).toContain(`More speak against the receipt than the ${CONTRARY_SHOWN_MAX}`);
    expect(many).not.toContain(`NQ-R-0001:1:${CONTRARY_SHOWN_MAX} `);
  });

  test('shows deliveries with their state, attempts, both times and the number at the destination', () => {
    const html = renderReceiptPage(sampleReceipt());
    const section = text(/<section id="deliveries">.*?<\/section>/s.exec(html)?.[0] ?? '');
    expect(section).toContain('lims result, revision 1 NQ-R-0001:1:12 confirmed 2 attempts');
    expect(section).toContain('2026-06-04 13:00:02 UTC+01:00 L-000012');
    expect(section).toMatch(/erp stop, revision 4 .* uncertain 1 attempt no answer within 1500 ms/);
  });

  test('points to the containers for a met condition that lists no evidence of its own', () => {
    const conditions = [
      condition({ code: 'recheck', evidence: [] }),
      condition({ code: 'recheck', state: 'unmet', evidence: [] }),
      condition({ code: 'no-open-discrepancy', evidence: [] }),
    ];
    const html = renderReceiptPage(sampleReceipt(statement({ conditions })));
    const rows = fragments(fragments(fragments(html, 'table')[0] ?? '', 'tbody')[0] ?? '', 'tr');
    expect(rows[0]).toContain('<a href="#containers">see containers</a>');
    expect(rows[1]).not.toContain('href');
    expect(text(rows[2] ?? '')).toMatch(/none$/);
  });

  test('names the result and the container a delivery speaks of, as people know them', () => {
    const html = text(renderReceiptPage(sampleReceipt()));
    expect(html).toContain('lims result, revision 1 NQ-R-0001:1:13, container D-03 accepted');
  });

  test('says a stop in words, its instants by the clock of the site', () => {
    const stop = statement().stopInForce;
    const record = statement({
      stopInForce: stop && {
        ...stop,
        reason: 'no-contrary-result: result R-9 on container D-02: fail',
      },
      conditions: [
        condition({
          code: 'no-stop-in-force',
          state: 'contradicted',
          found: 'withdraw since 2026-06-04T13:15:00.000000Z: no-contrary-result: result R-9',
        }),
      ],
    });
    const html = text(renderReceiptPage(sampleReceipt(record)));
    expect(html).toContain('No contrary result: result R-9 on container D-02: fail. Issued 2026');
    expect(html).toContain(
      'withdraw since 2026-06-04 14:15:00 UTC+01:00: No contrary result: result R-9',
    );
  });

  test('shows the stop in force and the unsigned decisions the statement rests on', () => {
    const html = text(renderReceiptPage(sampleReceipt()));
    expect(html).toContain('stop: withdraw Drum D-02 failed after the receipt conformed.');
    expect(html).toContain(
      'D-001 · second-person-off Head of Quality, Northquay (simulated), 2026-05-02 . Training only.',
    );
  });

  test('tells a statement whose time is over from one that still runs', () => {
    const running = text(renderReceiptPage(sampleReceipt()));
    expect(running).toContain('this one ends 2026-06-04 14:25:00 UTC+01:00');
    const over = statement({ validUntil: '2026-06-04T13:20:11.000000Z' });
    expect(text(renderReceiptPage(sampleReceipt(over)))).toContain('Its time is over');
  });

  test('never reads as conforming while there is no statement', () => {
    const html = text(renderReceiptPage(sampleReceipt(null)));
    expect(html).toContain('no statement yet');
    expect(html).toContain('counts as incomplete');
    expect(html).not.toMatch(/\bconforms\b/);
  });

  test('escapes what came from outside', () => {
    const hostile = '<b onclick="x()">&';
    const record = statement({
      receipt: { ...statement().receipt, material: hostile, supplier: hostile },
      conditions: [condition({ found: hostile, evidence: [{ kind: hostile, id: hostile }] })],
      containers: [{ label: hostile, required: true, state: 'covered', resultIds: [hostile] }],
    });
    const html = renderReceiptPage(sampleReceipt(record));
    expect(html).not.toContain('<b ');
    expect(text(html)).toContain(hostile);
  });

  test('uses each id once', () => {
    const all = ids(renderReceiptPage(sampleReceipt()));
    expect(new Set(all).size).toBe(all.length);
  });

  test('counts evidence beyond the first forty instead of printing it all', () => {
    const evidence = Array.from({ length: 45 }, (_, i) => ({ kind: 'result', id: `R-${i}` }));
    const html = text(
      renderReceiptPage(sampleReceipt(statement({ conditions: [condition({ evidence })] }))),
    );
    expect(html).toContain('result R-39');
    expect(html).not.toContain('R-40');
    expect(html).toContain('5 more');
  });
});

describe('page of an unknown receipt', () => {
  test('says that it counts as incomplete and escapes the id asked for', () => {
    const html = renderUnknownReceipt('<script>');
    expect(html).not.toContain('<script>');
    expect(text(html)).toContain('is incomplete, never conforms');
  });
});
