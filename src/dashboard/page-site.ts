import type { SiteView } from './day-view.js';

/** The site that pages without data of their own are headed with. A class so that it can be asked for by type. */
export class PageSite {
  constructor(readonly view: SiteView) {}
}
