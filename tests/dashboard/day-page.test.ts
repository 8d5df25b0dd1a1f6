import { describe, expect, test } from 'vitest';
import { renderDayPage } from '../../src/dashboard/day.page.js';
import { tileStrip } from '../../src/dashboard/tiles.js';
import { DISCREPANCY_TITLES } from '../../src/dashboard/wording.js';
import { fragments, ids, links, text } from './html.js';
import { classView, line, sampleDay } from './sample-views.js';

const HOSTILE = `"><script>alert(1)</script><img src=x onerror='a()'>&amp;`;

describe('day page', () => {
  test('shows every stage in order with its count and what it is out of', () => {
    const html = renderDayPage(sampleDay());
    const stages = text(fragments(html, 'ol')[0] ?? '');
    expect(stages).toMatch(
      /Expected 24 containers.*Measured 22 of 24 containers.*Accepted 23 of 25 results.*Delivered 45 of 46.*Confirmed 45 of 45.*Statements 1 of 4/,
    );
  });

  test('links every shortfall to a list that is on the page', () => {
    const day = sampleDay();
    const html = renderDayPage({
      ...day,
      discrepancies: Object.entries(DISCREPANCY_TITLES).map(([key, title]) =>
        classView(key, title),
      ),
    });
    const targets = links(html)
      .filter((href) => href.startsWith('#'))
      .map((href) => href.slice(1));
    expect(targets).toContain('class-not-measured');
    for (const target of targets) expect(ids(html)).toContain(target);
  });

  test('names the outcome of each receipt line in words and the conditions that do not hold', () => {
    const html = renderDayPage(sampleDay());
    const rows = fragments(fragments(html, 'tbody')[0] ?? '', 'tr').map(text);
    expect(rows[0]).toMatch(/GR 4713 \/ 10.*does not conform.*stop: withdraw/);
    expect(rows[0]).toMatch(/No contrary result contradicted .*0\.412 against threshold 0\.90/);
    expect(rows[1]).toMatch(/GR 4711 \/ 10.*conforms.*All met\./);
    expect(rows[2]).toMatch(/incomplete.*Heard from every instrument of the area not met yet/);
    expect(rows[3]).toMatch(/scan only 77.*no statement yet/);
    expect(rows[3]).not.toMatch(/conforms/);
  });

  test('gives each container a tile with a shape, a word and its label', () => {
    const view = sampleDay({
      receipts: [
        line({
          tiles: tileStrip([
            { label: 'D-1', state: 'covered' },
            { label: 'D-2', state: 'contrary' },
            { label: 'D-3', state: 'not-measured' },
            { label: 'D-4', state: 'not-required' },
          ]),
        }),
      ],
    });
    const tiles = fragments(renderDayPage(view), 'li').filter((li) => li.includes('class="tile '));
    expect(tiles.map(text)).toEqual([
      'covered D-1',
      'contrary D-2',
      'not measured D-3',
      'not in the plan D-4',
    ]);
    const shapes = tiles.map((tile) => /glyph-([a-z]+)/.exec(tile)?.[1]);
    expect(new Set(shapes).size).toBe(4);
  });

  test('escapes hostile labels, subjects and reasons wherever they stand', () => {
    const html = renderDayPage(
      sampleDay({
        site: {
          site: HOSTILE,
          title: HOSTILE,
          environment: 'production',
          simulated: false,
          timeZone: 'Europe/London',
        },
        receipts: [
          line({
            receiptId: HOSTILE,
            receiptNumber: HOSTILE,
            line: HOSTILE,
            material: HOSTILE,
            lot: HOSTILE,
            area: HOSTILE,
            stop: { kind: 'suspend', reason: HOSTILE },
            unmet: [{ title: HOSTILE, state: 'unmet', found: HOSTILE }],
            tiles: tileStrip([{ label: HOSTILE, state: 'contrary' }]),
          }),
        ],
        discrepancies: [
          classView('held', HOSTILE, {
            subject: HOSTILE,
            receiptId: HOSTILE,
            container: HOSTILE,
            destination: HOSTILE,
            instrument: HOSTILE,
            detail: HOSTILE,
            owner: HOSTILE,
          }),
        ],
      }),
    );
    expect(html).not.toMatch(/<script|<img/);
    expect(html).toContain('&lt;script>alert(1)&lt;/script>');
    // The text a person sees is the label itself, its own `&amp;` included.
    expect(text(html)).toContain('<script>alert(1)</script>');
    expect(text(html)).toContain('&amp;');
    expect(links(html)).toContain(`/receipts/${encodeURIComponent(HOSTILE)}`);
  });

  test('carries no inline script, style or handler, and no address outside the service', () => {
    const html = renderDayPage(sampleDay());
    expect(html).not.toMatch(/<script|<style|\sstyle=|\son[a-z]+=|https?:\/\//);
    expect(html).not.toMatch(/url\((?!#drum-)/);
  });

  test('warns on every page that is not production, and says when data are simulated', () => {
    const day = sampleDay();
    const banner = (change: object): string =>
      text(fragments(renderDayPage({ ...day, site: { ...day.site, ...change } }), 'p').join(' '));
    expect(banner({})).toContain('Simulated data · Training');
    expect(banner({ simulated: false, environment: 'validation' })).toContain(
      'Nothing on this page may be used to release goods.',
    );
    const production = banner({ simulated: false, environment: 'production' });
    expect(production).not.toContain('Simulated data');
    expect(production).not.toContain('may be used to release');
  });

  test('says who releases, what else decides and what the laser can do', () => {
    const footer = text(fragments(renderDayPage(sampleDay()), 'footer')[0] ?? '');
    expect(footer).toContain('the quality unit does');
    expect(footer).toContain('one of several identity tests');
    expect(footer).toContain('pharmacopoeia and the local procedure in force');
    expect(footer).toContain('harm eyes');
    expect(footer).toContain('ignite');
  });

  test('says so when nothing was expected and nothing is open', () => {
    const html = renderDayPage(sampleDay({ receipts: [], discrepancies: [], stages: [] }));
    expect(text(html)).toContain('No receipt line was expected or measured on this day.');
    expect(text(html)).toContain('No discrepancy is open.');
  });

  test('uses each id once, so that a link has one target', () => {
    const all = ids(renderDayPage(sampleDay()));
    expect(new Set(all).size).toBe(all.length);
  });
});
