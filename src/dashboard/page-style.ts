import { sha256 } from '../formats/canonical-json.js';
import { CHART_STYLE } from './chart-style.js';
import { FORM_STYLE } from './form-style.js';
import { LAYOUT_STYLE } from './layout-style.js';
import { LIST_STYLE } from './list-style.js';

/** The stylesheet of all pages, as text in the program: a build step copies nothing, a page needs no disk. */
export const STYLE = `${LAYOUT_STYLE}\n${LIST_STYLE}\n${FORM_STYLE}\n${CHART_STYLE}`;

export const ICON = `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 44 56"><path fill="#0b5563" stroke="#1b2330" stroke-width="3" d="M4 6C4 3.8 12 2 22 2s18 1.8 18 4v44c0 2.2-8 4-18 4S4 52.2 4 50Z"/><path fill="none" stroke="#f7f6f2" stroke-width="3" d="M4 20c0 2.2 8 4 18 4s18-1.8 18-4M4 36c0 2.2 8 4 18 4s18-1.8 18-4"/></svg>`;

/** Named by content, so that a browser may keep them and still sees a change at once. */
export const STYLE_FILE = `page-${sha256(STYLE).slice(0, 12)}.css`;
export const ICON_FILE = `icon-${sha256(ICON).slice(0, 12)}.svg`;

export const STYLE_PATH = `/assets/${STYLE_FILE}`;
export const ICON_PATH = `/assets/${ICON_FILE}`;
