import type { JSX } from 'preact';
import { render } from 'preact-render-to-string';
import { visibleLines } from '../formats/visible-text.js';

/**
 * A whole page as HTML. Sentences quote labels as they were scanned, and nobody who writes one has to remember what a label
 * may hold: unseen characters are written out in every text of a page, see `visibleText`. What a form sends back stays as
 * it is.
 */
export function renderPage(page: JSX.Element): string {
  return `<!doctype html>${visibleMarkup(render(page))}`;
}

/** A textarea with its content, which is a value; another tag; or text. Preact leaves neither `<` nor `"` in a value. */
const PARTS = /<textarea(?:[^">]|"[^"]*")*>[^<]*|<(?:[^">]|"[^"]*")*>|[^<]+/g;

/** Attributes that are read out or shown, and never sent. */
const READ_OUT = /(?<= (?:aria-label|title|alt)=)"[^"]*"/g;

function visibleMarkup(html: string): string {
  return html.replace(PARTS, (part) => {
    if (!part.startsWith('<')) return visibleLines(part);
    return part.startsWith('<textarea') ? part : part.replace(READ_OUT, visibleLines);
  });
}
