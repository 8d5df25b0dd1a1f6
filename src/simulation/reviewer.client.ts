import { randomBytes } from 'node:crypto';
import { setTimeout } from 'node:timers/promises';
import { request } from 'undici';

/** Who signs in the simulation, and with what: an account of a gateway that ends with the demo. */
export interface ReviewerAccount {
  readonly userName: string;
  readonly initialPassword: string;
}

export interface ReviewerSetup {
  readonly gatewayUrl: string;
  readonly account: ReviewerAccount;
  readonly signal: AbortSignal;
  readonly say: (text: string) => void;
}

interface Answer {
  readonly status: number;
  readonly text: string;
  readonly cookie: string | null;
}

const DEADLINE_MS = 10_000;
const LOOK_EVERY_MS = 300;
const FORM = 'application/x-www-form-urlencoded';

/**
 * A person in front of the gateway's pages: signs in, chooses a password, looks again and again for statements that
 * wait for a second person, and signs what it is shown when everything else holds. It knows nothing of what is
 * really in the drums.
 */
export class SimulatedReviewer {
  readonly password = `simulated reviewer ${randomBytes(9).toString('base64url')}`;
  #cookie = '';
  #token = '';

  constructor(private readonly setup: ReviewerSetup) {}

  /** Signs in with the password that came with the account, and chooses another as the gateway asks for. */
  async signIn(): Promise<void> {
    const { userName, initialPassword } = this.setup.account;
    const entered = await this.#submit('/sign-in', {
      'user-name': userName,
      password: initialPassword,
    });
    this.#take(entered, 'the sign-in');
    await this.#readToken();
    const changed = await this.#submit('/account/password', {
      current: initialPassword,
      next: this.password,
      again: this.password,
    });
    this.#take(changed, 'the new password');
    await this.#readToken();
  }

  /** Looks and signs until the signal ends it; rejects when the gateway answers what a person could not go on from. */
  async work(): Promise<void> {
    const { signal } = this.setup;
    while (!signal.aborted) {
      for (const receiptId of await this.#waiting()) await this.#sign(receiptId);
      await setTimeout(LOOK_EVERY_MS, undefined, { signal }).catch(() => undefined);
    }
  }

  async #waiting(): Promise<string[]> {
    const { status, text } = await this.#ask('GET', '/api/v1/receipt-reviews');
    if (status !== 200) throw new Error(`the list of receipts to sign was answered ${status}`);
    const { waiting } = JSON.parse(text) as { waiting: readonly { receiptId: string }[] };
    return waiting.map((w) => w.receiptId);
  }

  async #sign(receiptId: string): Promise<void> {
    const path = `/api/v1/receipts/${encodeURIComponent(receiptId)}/review`;
    const looked = await this.#ask('GET', path);
    if (looked.status !== 200) throw new Error(`${path} was answered ${looked.status}`);
    const view = JSON.parse(looked.text) as {
      readonly sha256: string;
      readonly options: { readonly sign: { readonly possible: boolean } };
    };
    if (!view.options.sign.possible) return;
    const { status, text } = await this.#ask('POST', path, {
      type: 'application/json',
      text: JSON.stringify({
        act: 'sign',
        shown: view.sha256,
        reason: 'containers, results and deliveries looked at (simulated)',
        userName: this.setup.account.userName,
        password: this.password,
      }),
    });
    if (status === 200)
      this.setup.say(`The simulated reviewer signs the statement of ${receiptId}`);
    // Somebody or something was faster: what was shown is not there any more. The next look shows it.
    else if (status !== 409) throw new Error(`the signature of ${receiptId}: ${status} ${text}`);
  }

  async #readToken(): Promise<void> {
    const { text } = await this.#ask('GET', '/account');
    const token = /name="form-token" value="([^"]+)"/.exec(text)?.[1];
    if (token === undefined) throw new Error('the account page has no form of this sign-in');
    this.#token = token;
  }

  #take(answer: Answer, what: string): void {
    if (answer.status !== 303 || answer.cookie === null) {
      throw new Error(`${what} of the simulated reviewer was answered ${answer.status}`);
    }
    this.#cookie = answer.cookie;
  }

  #submit(path: string, fields: Readonly<Record<string, string>>): Promise<Answer> {
    const form = new URLSearchParams({ 'form-token': this.#token, ...fields });
    return this.#ask('POST', path, { type: FORM, text: form.toString() });
  }

  async #ask(
    method: 'GET' | 'POST',
    path: string,
    body: { readonly type: string; readonly text: string } | null = null,
  ): Promise<Answer> {
    const { gatewayUrl, signal } = this.setup;
    const answer = await request(new URL(path, gatewayUrl), {
      method,
      headers: {
        origin: new URL(gatewayUrl).origin,
        'sec-fetch-site': 'same-origin',
        ...(this.#cookie === '' ? {} : { cookie: this.#cookie, 'x-form-token': this.#token }),
        ...(body === null ? {} : { 'content-type': body.type }),
      },
      body: body?.text ?? null,
      signal: AbortSignal.any([signal, AbortSignal.timeout(DEADLINE_MS)]),
    });
    const text = await answer.body.text();
    const set = [answer.headers['set-cookie']].flat().find((c) => c !== undefined);
    return { status: answer.statusCode, text, cookie: set?.split(';')[0] ?? null };
  }
}
