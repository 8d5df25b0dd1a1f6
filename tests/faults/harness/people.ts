import { setTimeout as wait } from 'node:timers/promises';
import { readControl } from '../../../src/access/control.files.js';
import { Passwords } from '../../../src/access/passwords.service.js';
import { askGateway, type GatewayAnswer } from '../../../src/simulation/gateway-api.client.js';
import { SimulatedReviewer } from '../../../src/simulation/reviewer.client.js';
import type { SinkName } from './schedule.js';

/** They measure nothing: none of the operators is one of them. */
const PROPOSER = 'sim.robin';
const SIGNER = 'sim.sam';
const AGAIN_MS = 300;
/** Each look weighs all that stopped, and must not be what keeps the gateway busy. */
const TEND_EVERY_MS = 1000;
/** Longer than a clock is ahead or back: what was written while it was ahead may not be signed for an hour then. */
const CLOCK_BACK_MS = 12_000;
/**
 * A delivery is left to itself for so long, once it has stopped: a person who gives up what may have arrived has looked
 * whether it did, and what is stored late would not be there yet.
 */
const LEFT_ALONE_MS = 2000;
const PAGE = 100;
const CHEAP = new Passwords({ memoryCost: 64, timeCost: 1, parallelism: 1 });

/** Where a result belongs, as its labels show it. */
export interface LabelsSeen {
  readonly receiptId: string;
  readonly receiptScan: string;
  readonly container: string;
  readonly lot: string;
}

export interface SitePeopleSetup {
  /** Data folders of the gateways, where commands find how to reach them. */
  readonly dataDirectories: readonly string[];
  readonly signal: AbortSignal;
  /** The gateway's own id of a result; null while it has none of that name. */
  readonly rowIdOf: (resultId: string) => Promise<string | null>;
  /** Destinations that refuse messages: what is refused elsewhere nobody mends. */
  readonly refusing: ReadonlySet<SinkName>;
  /** Destination that can tell nothing; null where there is none. */
  readonly doubted: SinkName | null;
  /** Puts another hash of their password in the place of a person's. */
  readonly storeHash: (userName: string, hash: string) => Promise<void>;
}

/**
 * Reviewers of the simulated site, who ask by commands. Whatever they ask for they ask again until it is answered, looking
 * first whether it is done: an answer that got lost says nothing. Nothing that they do could be done twice.
 */
export class SitePeople {
  readonly #passwords = new Map<string, string>();
  readonly #standingSince = new Map<string, number>();
  #asked = 0;
  #hasTakenBack = false;

  constructor(private readonly setup: SitePeopleSetup) {}

  /** Makes their accounts, before anything is hurt. */
  async open(): Promise<void> {
    await this.#make('sim.admin', 'administrator');
    for (const name of [PROPOSER, SIGNER]) {
      const initialPassword = await this.#make(name, 'reviewer');
      const { url } = this.#control(0);
      const person = new SimulatedReviewer({
        gatewayUrl: url,
        account: { userName: name, initialPassword },
        signal: this.setup.signal,
        say: () => undefined,
      });
      await person.signIn();
      // Each act proves the password, which at full cost is a quarter of a second that processes under load do not have.
      await this.setup.storeHash(name, await CHEAP.hash(person.password));
      this.#passwords.set(name, person.password);
    }
  }

  /** Refuses an accepted result by signature; false where the clock does not let anybody sign about it. */
  async refuse(resultId: string): Promise<boolean> {
    this.#hasTakenBack = true;
    const end = await this.#insist(async () => {
      const id = await this.setup.rowIdOf(resultId);
      if (id === null) return null;
      const path = `/api/v1/results/${id}/review`;
      const seen = await this.#ask('GET', path);
      if (seen?.status !== 200) return null;
      const { state, sha256 } = seen.body as { readonly state: string; readonly sha256: string };
      if (state === 'refused') return { state };
      const reason = 'measured through a torn liner (simulated)';
      const act = { act: 'refuse', shown: sha256, reason };
      // One that is held, say, is not what this act takes back.
      if (state !== 'accepted') return null;
      return await this.#ask('POST', path, { ...act, ...this.#as(SIGNER) });
    });
    return end !== 'clock-back';
  }

  /**
   * Says that a result belongs to another container, and has a second person sign it. `proposed` where the clock does not let
   * anybody sign about it: what was proposed waits then.
   */
  async move(resultId: string, seen: LabelsSeen): Promise<'moved' | 'proposed'> {
    this.#hasTakenBack = true;
    const end = await this.#insist(async () => {
      const id = await this.setup.rowIdOf(resultId);
      if (id === null) return null;
      const path = `/api/v1/results/${id}/attribution`;
      const place = await this.#ask('GET', path);
      if (place?.status !== 200) return null;
      const { attributions } = place.body as {
        readonly attributions: readonly { readonly id: string; readonly state: string }[];
      };
      const [proposal] = attributions;
      if (proposal === undefined) {
        await this.#ask('POST', path, { ...proposalOf(seen), ...this.#as(PROPOSER) });
        return null;
      }
      if (proposal.state === 'signed') return { state: proposal.state };
      return await this.#signAttribution(proposal.id);
    });
    return end === 'clock-back' ? 'proposed' : 'moved';
  }

  /**
   * What the people on duty do about deliveries that stopped, until the signal ends it. What was refused is sent again, or
   * given up where it no longer stands; and what may have arrived where nobody can ask is given up once it was taken back,
   * so that its withdrawal may leave. Everything else is left as it is: nothing that was injected explains it.
   */
  async tend(): Promise<void> {
    const { signal } = this.setup;
    while (!signal.aborted) {
      for (const sink of this.setup.refusing) await this.#tendRefused(sink);
      if (this.#hasTakenBack && this.setup.doubted !== null)
        await this.#tendDoubted(this.setup.doubted);
      await wait(TEND_EVERY_MS, undefined, { signal }).catch(() => undefined);
    }
  }

  async #tendRefused(sink: SinkName): Promise<void> {
    const { stopped } = await this.#stopped(`destination=${sink}&fault=rejected`);
    await this.#act(
      'resend',
      stopped.filter((one) => one.resend.can),
    );
    await this.#act(
      'retire',
      stopped.filter((one) => !one.resend.can && one.retire.can),
    );
  }

  async #tendDoubted(sink: SinkName): Promise<void> {
    for (let after = ''; ; ) {
      const page = await this.#stopped(`destination=${sink}${after && `&after=${after}`}`);
      await this.#act(
        'retire',
        page.stopped.filter((one) => one.retire.can && one.message === 'result'),
      );
      if (page.after === null) return;
      after = page.after;
    }
  }

  /** Those that have stood as they are for a while. */
  async #stopped(query: string) {
    const answer = await this.#ask('GET', `/api/v1/deliveries?${query}&limit=${PAGE}`);
    if (answer?.status !== 200) return { stopped: [], after: null };
    const { deliveries, after } = answer.body as {
      readonly deliveries: readonly StoppedDelivery[];
      readonly after: string | null;
    };
    const now = performance.now();
    const stopped = deliveries.filter(({ version }) => {
      const since = this.#standingSince.get(version) ?? now;
      this.#standingSince.set(version, since);
      return now - since >= LEFT_ALONE_MS;
    });
    return { stopped, after };
  }

  async #act(act: 'resend' | 'retire', stopped: readonly StoppedDelivery[]): Promise<void> {
    if (stopped.length === 0) return;
    const deliveries = stopped.map(({ id, version }) => ({ id, version }));
    const reason = 'known there by now, CR-1 (simulated)';
    await this.#ask('POST', '/api/v1/deliveries/acts', {
      ...{ act, reason, deliveries },
      ...this.#as(SIGNER),
    });
  }

  async #signAttribution(id: string): Promise<GatewayAnswer | null> {
    const path = `/api/v1/attributions/${id}`;
    const shown = await this.#ask('GET', path);
    if (shown?.status !== 200) return null;
    return await this.#ask('POST', path, {
      act: 'attribute',
      shown: (shown.body as { readonly sha256: string }).sha256,
      reason: 'compared with the labels (simulated)',
      ...this.#as(SIGNER),
    });
  }

  /** Does it again until it is done: a state, or an answer 200. */
  async #insist(
    attempt: () => Promise<GatewayAnswer | { readonly state: string } | null>,
  ): Promise<'done' | 'clock-back'> {
    let backSince: number | null = null;
    for (;;) {
      this.setup.signal.throwIfAborted();
      const end = await attempt().catch(() => null);
      if (end !== null && ('state' in end || end.status === 200)) return 'done';
      const now = performance.now();
      const isBack = end !== null && codeOf(end) === 'signature-clock-back';
      backSince = isBack ? (backSince ?? now) : null;
      if (backSince !== null && now - backSince > CLOCK_BACK_MS) return 'clock-back';
      await wait(AGAIN_MS);
    }
  }

  async #make(userName: string, role: string): Promise<string> {
    const answer = await this.#ask('POST', '/api/v1/people', {
      ...{ userName, printedName: `${userName} (simulated)`, roles: [role], operatorIds: [] },
    });
    if (answer?.status !== 201) throw new Error(`${userName}: ${JSON.stringify(answer)}`);
    return (answer.body as { readonly initialPassword: string }).initialPassword;
  }

  #as(userName: string): { readonly userName: string; readonly password: string } {
    return { userName, password: this.#passwords.get(userName) ?? '' };
  }

  #control(n: number) {
    const { dataDirectories } = this.setup;
    const control = readControl(dataDirectories[n % dataDirectories.length] ?? '');
    if (control === null) throw new Error('the gateway wrote no control file');
    return control;
  }

  /** Asks the gateways in turn; null when there was no answer. */
  async #ask(
    method: 'GET' | 'POST',
    path: string,
    body?: Readonly<Record<string, unknown>>,
  ): Promise<GatewayAnswer | null> {
    this.#asked += 1;
    try {
      const { url, token } = this.#control(this.#asked);
      return await askGateway(url, {
        key: token,
        method,
        path,
        ...(body === undefined
          ? {}
          : { contentType: 'application/json', body: JSON.stringify(body) }),
      });
    } catch {
      // Killed, away or too slow: whoever asked asks again.
      return null;
    }
  }
}

interface StoppedDelivery {
  readonly id: string;
  readonly version: string;
  readonly message: string;
  readonly resend: { readonly can: boolean };
  readonly retire: { readonly can: boolean };
}

function proposalOf(seen: LabelsSeen) {
  return {
    receiptId: seen.receiptId,
    seenReceipt: seen.receiptScan,
    seenContainer: seen.container,
    seenLot: seen.lot,
    seenBy: 'Dock Clerk One (simulated)',
    reason: 'the label of the drum beside it was scanned (simulated)',
  };
}

function codeOf({ body }: GatewayAnswer): string | null {
  const code = (body as { readonly code?: unknown } | null)?.code;
  return typeof code === 'string' ? code : null;
}
