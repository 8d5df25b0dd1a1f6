import type { Caller } from '../access/caller.js';
import type { Instant } from '../formats/instant.js';
import type { MomentView, SiteView } from './day-view.js';
import { moment } from './local-time.js';
import { type SignedIn, signedInOf } from './signed-in.js';

/** What a page is headed with: the site, when it was made, and who looks at it. */
export interface ReviewFrame {
  readonly site: SiteView;
  readonly asOf: MomentView;
  readonly signedIn: SignedIn | null;
}

/** The site that pages without data of their own are headed with. A class so that it can be asked for by type. */
export class PageSite {
  constructor(readonly view: SiteView) {}

  frame(caller: Caller, now: Instant): ReviewFrame {
    return { site: this.view, asOf: moment(now, this.view.timeZone), signedIn: signedInOf(caller) };
  }
}
