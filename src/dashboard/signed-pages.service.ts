import type { Caller } from '../access/caller.js';
import type { Right } from '../access/rights.js';
import { Problem } from '../problem-details.js';
import type { Components } from '../signatures/signature.js';
import type { Clock } from '../storage/clock.js';
import { formSigner } from './form-signer.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import type { PageSite, ReviewFrame } from './page-site.js';
import type { Signer } from './sign-form.js';
import { type Arrived, answerSignedForm, NOTHING_SAID, type Said } from './signed-form.js';

/** What a page is drawn from that has a form which signs. */
export interface SignedPageShown<V> {
  readonly view: V;
  readonly frame: ReviewFrame;
  /** null for who may not sign. */
  readonly signer: Signer | null;
  readonly said: Said;
}

/** A page on which one act is signed. */
export interface SignedPage<V> {
  /** Reads what it shows; null when there is nothing of the kind. */
  readonly load: () => Promise<V | null>;
  /** What is said then. */
  readonly missing: string;
  /** Of the act. */
  readonly right: Right;
  readonly signing: { needed(accountId: string, sessionId: string): Promise<Components> };
  /** What it says to who comes from its form. */
  readonly arrived: Arrived<V>;
  readonly render: (shown: SignedPageShown<V>) => string;
}

/** A request for such a page, and where it is sent. */
interface Exchange {
  readonly request: {
    readonly url: string;
    readonly form: URLSearchParams | null;
    readonly formToken: string | null;
    readonly caller: Caller;
  };
  readonly reply: {
    status(code: number): unknown;
    headers(values: Record<string, string>): unknown;
    redirect(to: string, status: number): unknown;
    send(page: string): unknown;
  };
}

/** The way of every page with a form that signs: shown, signed, and shown again with what came of it. */
export class SignedPages {
  constructor(
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {}

  /**
   * @param done what the address says was done, see `Arrived`
   * @throws Problem `not-found`
   */
  async show<V>(page: SignedPage<V>, at: Exchange, done: string | undefined): Promise<void> {
    await this.#show(page, at, (view) =>
      done === undefined ? NOTHING_SAID : page.arrived(done, view, at.request.caller),
    );
  }

  /** @param act see `answerSignedForm` */
  async sign<V>(
    page: SignedPage<V>,
    at: Exchange,
    act: (fields: Readonly<Record<string, unknown>>) => Promise<string>,
  ): Promise<void> {
    await answerSignedForm({
      ...at,
      timeZone: this.site.view.timeZone,
      sign: act,
      show: (said) => this.#show(page, at, () => said),
    });
  }

  async #show<V>(
    page: SignedPage<V>,
    { request, reply }: Exchange,
    saidOf: (view: V) => Said,
  ): Promise<void> {
    const view = await page.load();
    if (view === null) throw new Problem('not-found', page.missing);
    const said = saidOf(view);
    const frame = this.site.frame(request.caller, this.clock.now());
    const signer = await formSigner(request, page.right, page.signing);
    reply.status(said.status);
    reply.headers(FORM_PAGE_HEADERS);
    await reply.send(page.render({ view, frame, signer, said }));
  }
}
