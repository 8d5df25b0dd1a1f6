import { expect, it } from 'vitest';
import { renderPage } from '../../src/dashboard/render-page.js';

const HIDDEN = 'D-1\u202e>"2"\u200b';

it('a page writes out in its texts what is not seen, and leaves what a form sends back as it is', () => {
  const html = renderPage(
    <form>
      <p>
        container {HIDDEN} fails{'\n'}and <b>{'so\u00addoes'}</b>
      </p>
      <input name="container" value={HIDDEN} aria-label={HIDDEN} />
      <textarea name="containers" title={HIDDEN} value={HIDDEN} />
      <textarea name="more">{HIDDEN}</textarea>
    </form>,
  );
  const quoted = HIDDEN.replaceAll('"', '&quot;');
  const written = quoted.replace('\u202e', '\\u{202E}').replace('\u200b', '\\u{200B}');
  expect(html).toMatch(/^<!doctype html><form>/);
  expect(html).toContain(`<p>container ${written} fails\nand <b>so\\u{00AD}does</b></p>`);
  expect(html).toContain(`name="container" value="${quoted}"`);
  expect(html).toContain(`aria-label="${written}"`);
  expect(html.split(`${quoted}</textarea>`)).toHaveLength(3);
});
