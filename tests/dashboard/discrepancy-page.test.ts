import { describe, expect, test } from 'vitest';
import {
  renderDiscrepancyList,
  renderDiscrepancyPage,
} from '../../src/dashboard/discrepancy.page.js';
import { links, text } from './html.js';
import { discrepancyItem, sampleDay } from './sample-views.js';

const { site, asOf } = sampleDay();
const HOSTILE = '<b>said</b>';

describe('discrepancy pages', () => {
  test('list them with what is late, and lead on to the next page', () => {
    const html = renderDiscrepancyList(
      {
        site,
        asOf,
        filter: [['class', 'held']],
        items: [discrepancyItem({ isLate: true, detail: HOSTILE })],
        next: '/discrepancies?cursor=abc',
      },
      null,
    );
    expect(links(html)).toEqual(
      expect.arrayContaining(['/discrepancies/d-1', '/discrepancies?cursor=abc']),
    );
    expect(text(html)).toContain('Past its target');
    expect(html).not.toContain(HOSTILE);
  });

  test('show one with its history, what alone closes it, and a form for those who may comment only', () => {
    const view = {
      site,
      asOf,
      item: discrepancyItem(),
      meaning: 'It is held',
      closedBy: 'a reviewer',
      history: [{ at: asOf, who: 'a person', what: 'comment', text: HOSTILE }],
    };
    const shown = { view, signedIn: null, commenter: null, refused: null };
    const html = renderDiscrepancyPage(shown);
    expect(text(html)).toContain('Only a reviewer closes it; a comment never does');
    expect(html).not.toContain(HOSTILE);
    expect(html).not.toContain('<form');
    const form = renderDiscrepancyPage({
      ...shown,
      commenter: { formToken: 'token-1', sentAs: 'form-1' },
      refused: {
        fault: 'text: expected 1 to 2000 characters',
        typed: {
          action: '/discrepancies/d-1',
          fields: new Map([
            ['text', HOSTILE],
            ['reference', 'CR-12'],
          ]),
        },
      },
    });
    expect(form).toContain('value="token-1"');
    expect(form).toContain('name="sentAs" value="form-1"');
    expect(form).toContain('action="/discrepancies/d-1"');
    expect(text(form)).toContain('text: expected 1 to 2000 characters');
    // What was written is still there to be corrected.
    expect(text(/<textarea[^>]*>.*?<\/textarea>/s.exec(form)?.[0] ?? '')).toContain(HOSTILE);
    expect(form).not.toContain(HOSTILE);
    expect(form).toContain('value="CR-12"');
  });
});
