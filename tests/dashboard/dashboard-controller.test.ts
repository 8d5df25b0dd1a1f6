import 'reflect-metadata';
import { FastifyAdapter, type NestFastifyApplication } from '@nestjs/platform-fastify';
import { Test } from '@nestjs/testing';
import { pino } from 'pino';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { DashboardModule } from '../../src/dashboard/dashboard.module.js';
import { INSPECTIONS_SOURCE } from '../../src/dashboard/inspections-source.js';
import { LABELS_SOURCE } from '../../src/dashboard/labels-source.js';
import { LOST_STOPS_SOURCE } from '../../src/dashboard/lost-stops-source.js';
import { PAGE_POLICY } from '../../src/dashboard/page-policy.js';
import { PageSite } from '../../src/dashboard/page-site.js';
import { RECEIPT_REVIEW_SOURCE } from '../../src/dashboard/receipt-review-source.js';
import type { ReceiptView } from '../../src/dashboard/receipt-view.js';
import { STOP_LIFT_SOURCE } from '../../src/dashboard/stop-lift-source.js';
import { DAY_VIEW_SOURCE, type DayViewSource } from '../../src/dashboard/view-source.js';
import { ProblemFilter } from '../../src/problem.filter.js';
import { text } from './html.js';
import { discrepancyItem, sampleDay, sampleReceipt, statement } from './sample-views.js';

const KNOWN = 'NQR/2026 0001';

class Source implements DayViewSource {
  readonly asked: string[] = [];
  /** Of the statement, as it stands now. */
  revision = statement().revision;
  load() {
    return Promise.resolve(sampleDay());
  }
  loadReceipt(receiptId: string): Promise<ReceiptView | null> {
    this.asked.push(receiptId);
    return Promise.resolve(
      receiptId === KNOWN ? sampleReceipt(statement({ revision: this.revision })) : null,
    );
  }
  loadTrail(): Promise<never> {
    return Promise.reject(new Error('no trail here'));
  }
  loadDiscrepancies(fields: Readonly<Record<string, string | undefined>>) {
    const { site, asOf } = sampleDay();
    if (fields['class'] === 'nonsense') return Promise.resolve('class: expected one of …');
    return Promise.resolve({
      site,
      asOf,
      filter: [['class', fields['class'] ?? '']] as const,
      items: [discrepancyItem({ isLate: true })],
      next: '/discrepancies?cursor=abc',
    });
  }
  loadDiscrepancy(id: string) {
    const { site, asOf } = sampleDay();
    const item = discrepancyItem();
    const history = [{ at: asOf, who: 'a person', what: 'comment', text: '<b>said</b>' }];
    const view = { site, asOf, item, meaning: 'It is held', closedBy: 'a reviewer', history };
    return Promise.resolve(id === 'd-1' ? view : null);
  }
}

describe('dashboard over HTTP', () => {
  const source = new Source();
  let app: NestFastifyApplication;
  /** What comes in while a page reads what could be signed on it. */
  let meanwhile: (() => void) | null = null;
  const signable = () => {
    meanwhile?.();
    return Promise.resolve(null);
  };

  beforeAll(async () => {
    const built = await Test.createTestingModule({
      imports: [
        DashboardModule.from(
          { provide: PageSite, useValue: new PageSite(sampleDay().site) },
          { provide: DAY_VIEW_SOURCE, useValue: source },
          { provide: RECEIPT_REVIEW_SOURCE, useValue: { show: () => signable() } },
          { provide: STOP_LIFT_SOURCE, useValue: { show: () => signable() } },
          { provide: INSPECTIONS_SOURCE, useValue: { show: () => Promise.resolve(null) } },
          { provide: LABELS_SOURCE, useValue: { ofReceipt: () => Promise.resolve([]) } },
          { provide: LOST_STOPS_SOURCE, useValue: { count: () => Promise.resolve(0) } },
        ),
      ],
    }).compile();
    app = built.createNestApplication<NestFastifyApplication>(
      new FastifyAdapter({ routerOptions: { maxParamLength: 5000 } }),
    );
    app.useGlobalFilters(new ProblemFilter(pino({ level: 'silent' })));
    await app.init();
    await app.getHttpAdapter().getInstance().ready();
  });
  afterAll(() => app.close());

  test('serves the day as HTML under a policy that allows nothing inline and nothing foreign', async () => {
    const answer = await app.inject({ method: 'GET', url: '/' });
    expect(answer.statusCode).toBe(200);
    expect(answer.headers['content-type']).toBe('text/html; charset=utf-8');
    expect(answer.headers['content-security-policy']).toBe(PAGE_POLICY);
    expect(answer.headers['cache-control']).toBe('no-store');
    expect(PAGE_POLICY).toMatch(/^default-src 'none'/);
    expect(PAGE_POLICY).not.toMatch(/unsafe|http|\*/);
    expect(answer.body).toMatch(/^<!doctype html><html lang="en">/);
  });

  test('tells a browser in words that a page is not there, and a program in problem details', async () => {
    const asked = (url: string, accept: string) =>
      app.inject({ method: 'GET', url, headers: { accept } });
    const browser = 'text/html,application/xhtml+xml,*/*;q=0.8';
    const page = await asked('/nowhere?<script>', browser);
    expect(page.statusCode).toBe(404);
    expect(page.headers['content-type']).toBe('text/html; charset=utf-8');
    expect(page.headers['content-security-policy']).toBe(PAGE_POLICY);
    expect(text(page.body)).toContain('There is nothing at this address Check the address.');
    expect(page.body).not.toContain('<script>');
    for (const program of [await asked('/nowhere', '*/*'), await asked('/api/v1/x', browser)]) {
      expect(program.statusCode).toBe(404);
      expect(program.headers['content-type']).toMatch(/^application\/problem\+json/);
      expect(program.json()).toMatchObject({ code: 'not-found' });
    }
  });

  test('serves every stylesheet and icon that a page names', async () => {
    const page = await app.inject({ method: 'GET', url: '/' });
    const named = [...page.body.matchAll(/<link[^>]* href="([^"]+)"/g)].map((m) => m[1] ?? '');
    expect(named).toHaveLength(2);
    for (const url of named) {
      const answer = await app.inject({ method: 'GET', url });
      expect(answer.statusCode, url).toBe(200);
      expect(answer.headers['content-type'], url).toMatch(/^(text\/css|image\/svg\+xml)/);
      expect(answer.headers['cache-control']).toContain('immutable');
    }
  });

  test('shows of a receipt what came in before what a signature would cover was read', async () => {
    source.revision = 6;
    meanwhile = () => {
      source.revision = 7;
    };
    const url = `/receipts/${encodeURIComponent(KNOWN)}`;
    const answer = await app.inject({ method: 'GET', url });
    meanwhile = null;
    expect(text(answer.body)).toContain('Statement revision 7');
  });

  test('finds a receipt whose id needs encoding in the address', async () => {
    const answer = await app.inject({
      method: 'GET',
      url: `/receipts/${encodeURIComponent(KNOWN)}`,
    });
    expect(answer.statusCode).toBe(200);
    expect(answer.headers['content-security-policy']).toBe(PAGE_POLICY);
    expect(text(answer.body)).toContain('Conditions and evidence');
  });

  test('answers 404 for an unknown receipt, and does not look up an absurdly long id', async () => {
    const unknown = await app.inject({ method: 'GET', url: '/receipts/%3Cb%3Enone' });
    expect(unknown.statusCode).toBe(404);
    expect(unknown.body).not.toContain('<b>');
    const before = source.asked.length;
    const long = await app.inject({ method: 'GET', url: `/receipts/${'x'.repeat(1000)}` });
    expect(long.statusCode).toBe(404);
    expect(source.asked.length).toBe(before);
    expect(long.body).not.toContain('x'.repeat(300));
  });
});
