import { appendFileSync, cpSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath, pathToFileURL } from 'node:url';
import { sql } from 'kysely';
import { addMs } from '../../../src/formats/instant.js';
import { booksDocument } from '../../../src/simulation/books.js';
import { SimulatedDay } from '../../../src/simulation/day.runner.js';
import { expectationCsv } from '../../../src/simulation/expectation-rows.js';
import { type GatewayProcess, startGateway } from '../../../src/simulation/gateway.process.js';
import { askGateway } from '../../../src/simulation/gateway-api.client.js';
import { SimulatedInstrument, type SyncedBundle } from '../../../src/simulation/instrument.js';
import { type Judgement, judge } from '../../../src/simulation/judge.js';
import { type MisbehaviourSchedule, WELL_BEHAVED } from '../../../src/simulation/misbehaviour.js';
import { OPERATORS } from '../../../src/simulation/northquay-day.js';
import { ERP_FIELDS, LIMS_FIELDS } from '../../../src/simulation/northquay-fields.js';
import { scoreCurve } from '../../../src/simulation/score-curve.js';
import type { StandIn } from '../../../src/simulation/stand-in.server.js';
import { type StandInErp, startStandInErp } from '../../../src/simulation/stand-in-erp.server.js';
import { startStandInLims } from '../../../src/simulation/stand-in-lims.server.js';
import type { Story } from '../../../src/simulation/story.js';
import { loadSiteFolder } from '../../../src/site/site-folder.files.js';
import type { SiteFolder } from '../../../src/site/site-folder.js';
import { anchoredClock } from '../../../src/storage/clock.js';
import { freePort } from '../../support/free-port.js';
import { withoutSecondPerson } from '../../support/site-edits.js';
import { readerOf } from '../../support/temp-database.js';
import { DrainWatch } from '../harness/drain-watch.js';
import { countUnderWay } from '../harness/under-way.js';
import { createGatewayKey } from './gateway-keys.js';

const ROOT = fileURLToPath(new URL('../../..', import.meta.url));
const KILL_AT = pathToFileURL(join(ROOT, 'tests/faults/kill-at.mjs')).href;
const RECEIVED_BEFORE_MS = 3_600_000;
const POLL_MS = 100;
/** Short, so that a release is seen before a run ends. */
const HOLDING_MS = 300;
const ROUND_MS = 200;

export interface FaultWorldOptions {
  readonly lims?: MisbehaviourSchedule;
  readonly erp?: MisbehaviourSchedule;
}

/** A gateway process that may be killed, and a world around it that lives on and keeps its own books. */
export class FaultWorld {
  readonly clock = anchoredClock();
  readonly receivedAt = addMs(this.clock.now(), -RECEIVED_BEFORE_MS);
  readonly days: SimulatedDay[] = [];
  keys = { bundle: '', desk: '', statement: '' };
  /** How often the process ended without being asked to. */
  deaths = 0;
  #gateway: GatewayProcess | null = null;
  #isClosing = false;

  private constructor(
    readonly directory: string,
    readonly site: SiteFolder,
    readonly lims: StandIn,
    readonly erp: StandInErp,
    readonly port: string,
    private readonly instruments: ReadonlyMap<string, SimulatedInstrument>,
    private readonly environment: NodeJS.ProcessEnv,
    private readonly abort: AbortController,
  ) {}

  static async open(options: FaultWorldOptions = {}): Promise<FaultWorld> {
    const directory = mkdtempSync(join(tmpdir(), 'drumline-fault-'));
    const siteFolder = copySite(directory);
    const loaded = await loadSiteFolder(siteFolder, {});
    if (!loaded.ok)
      throw new Error(`the site folder is not sound: ${JSON.stringify(loaded.faults[0])}`);
    const { site } = loaded;
    const clock = anchoredClock();
    const common = { clock, journal: null, askable: true, processingMs: 20, token: 'simulated' };
    const lims = await startStandInLims({
      ...common,
      honoursKey: false,
      schedule: options.lims ?? WELL_BEHAVED,
    });
    const erp = await startStandInErp({
      ...common,
      honoursKey: true,
      schedule: options.erp ?? WELL_BEHAVED,
      environment: site.environment,
      holdingMs: HOLDING_MS,
      roundMs: ROUND_MS,
    });
    const environment = {
      ...process.env,
      NORTHQUAY_LIMS_URL: lims.url,
      NORTHQUAY_LIMS_TOKEN: 'simulated',
      NORTHQUAY_ERP_URL: erp.url,
      NORTHQUAY_ERP_TOKEN: 'simulated',
    };
    const abort = new AbortController();
    const instruments = new Map(
      site.instruments.map((instrument) => [
        instrument.serial,
        new SimulatedInstrument({
          site: site.site,
          environment: site.environment,
          timeZone: site.timeZone,
          instrument,
          syncPc: 'sync-a',
          seed: 7,
          operators: OPERATORS,
          score: scoreCurve,
        }),
      ]),
    );
    const port = String(await freePort());
    return new FaultWorld(directory, site, lims, erp, port, instruments, environment, abort);
  }

  get url(): string {
    return `http://127.0.0.1:${this.port}`;
  }

  /** Starts the gateway; when it dies it is started again, without the fault. */
  async start(fault: { readonly step: string; readonly nth: number } | null): Promise<void> {
    const gateway = await startGateway({
      dataDirectory: this.directory,
      siteFolderDirectory: join(this.directory, 'site'),
      watchDirectory: join(this.directory, 'inbox'),
      port: this.port,
      environment: fault
        ? {
            ...this.environment,
            NODE_OPTIONS: `--import ${KILL_AT}`,
            FAULT_KILL_AT: fault.step,
            FAULT_KILL_NTH: String(fault.nth),
          }
        : this.environment,
      signal: this.abort.signal,
      logFile: join(this.directory, 'gateway.log'),
    });
    this.#gateway = gateway;
    if (this.keys.bundle === '') await this.#createKeys();
    this.erp.releases.setGateway({ url: this.url, key: this.keys.statement });
    void gateway.died.then(async (sentence) => {
      if (this.#isClosing || sentence === '') return;
      this.deaths += 1;
      appendFileSync(join(this.directory, 'gateway.log'), `${sentence}\n`);
      await this.start(null);
    });
  }

  async announce(stories: readonly Story[]): Promise<void> {
    const receipts = stories.flatMap((story) => story.receipts);
    const { status, body } = await askGateway(this.url, {
      key: this.keys.desk,
      method: 'POST',
      path: '/api/v1/expectations',
      contentType: 'text/csv',
      body: expectationCsv(receipts, this.receivedAt, this.site.timeZone),
    });
    if (status !== 200)
      throw new Error(`announcing was answered ${status} ${JSON.stringify(body)}`);
  }

  /** Lives stories side by side. */
  async live(stories: readonly Story[]): Promise<void> {
    const days = stories.map((story) => this.#day(story));
    this.days.push(...days);
    await Promise.all(days.map((day) => day.run()));
  }

  /** Takes what an instrument has not synced yet, to be handed over by the test itself. */
  sync(serial: string): SyncedBundle {
    const instrument = this.instruments.get(serial);
    if (!instrument) throw new Error(`no instrument ${serial}`);
    return instrument.sync(this.clock.now());
  }

  /** From the stand-ins' books and what really was in the drums; never from the gateway's. */
  judge(): Judgement {
    const truth = {
      receipts: this.days.flatMap((day) => day.truth.receipts),
      measured: this.days.flatMap((day) => day.truth.measured),
      drums: new Map(this.days.flatMap((day) => [...day.truth.drums])),
    };
    return judge(truth, [
      {
        name: 'lims',
        kind: 'askable',
        books: booksDocument(this.lims.ledger.books),
        fields: LIMS_FIELDS,
        refusesDeclared: false,
      },
      {
        name: 'erp',
        kind: 'honours',
        books: booksDocument(this.erp.ledger.books),
        fields: ERP_FIELDS,
        refusesDeclared: false,
      },
    ]);
  }

  /** Waits until `isDone`, or returns false when it takes too long. */
  async waitFor(isDone: () => boolean | Promise<boolean>, deadlineMs: number): Promise<boolean> {
    const end = performance.now() + deadlineMs;
    while (performance.now() < end) {
      if (await isDone()) return true;
      await new Promise((resolve) => setTimeout(resolve, POLL_MS));
    }
    return false;
  }

  /** What the gateway has still to do, as its database says. */
  async underWay(): Promise<number> {
    const db = readerOf({ dataDirectory: this.directory, databaseUrl: null });
    try {
      return await countUnderWay(async (text) => (await sql.raw(text).execute(db)).rows);
    } finally {
      await db.destroy();
    }
  }

  /**
   * Waits until the books are right and nothing that is under way could still change that: right books beside a send that is
   * still to be found out about say nothing of how that ends. False when it takes too long.
   */
  async untilDrained(isRight: () => boolean, deadlineMs: number): Promise<boolean> {
    const watch = new DrainWatch();
    return this.waitFor(async () => {
      const underWay = await this.underWay();
      const messages = [this.lims, this.erp].flatMap((one) => one.ledger.books.messages);
      const effects = messages.length + messages.filter((message) => message.applied).length;
      return watch.see({ isClean: isRight(), effects, underWay }, performance.now()) === 'drained';
    }, deadlineMs);
  }

  async close(): Promise<void> {
    this.#isClosing = true;
    await this.#gateway?.stop();
    this.abort.abort();
    await this.erp.close();
    await this.lims.close();
    rmSync(this.directory, { recursive: true, force: true });
  }

  async #createKeys(): Promise<void> {
    this.keys = {
      bundle: await this.#createKey('sync', ['bundle:write']),
      desk: await this.#createKey('desk', ['expectation:write', 'read']),
      statement: await this.#createKey('erp', ['statement:read']),
    };
  }

  #createKey(name: string, scopes: readonly string[]): Promise<string> {
    return createGatewayKey(this.directory, { site: this.site.site, name, scopes });
  }

  #day(story: Story): SimulatedDay {
    return new SimulatedDay({
      story,
      site: this.site,
      clock: this.clock,
      instruments: this.instruments,
      overHttp: new Set(this.instruments.keys()),
      gatewayUrl: this.url,
      watchDirectory: join(this.directory, 'inbox'),
      bundleKey: this.keys.bundle,
      statementKey: this.keys.statement,
      erp: this.erp.ledger,
      receivedAt: this.receivedAt,
      signal: this.abort.signal,
      say: () => undefined,
    });
  }
}

/** Nobody of flesh and blood signs while processes are killed. */
function copySite(directory: string): string {
  const copy = join(directory, 'site');
  cpSync(join(ROOT, 'mappings/northquay'), copy, { recursive: true });
  // What is killed here is the gateway; whether its instruments perform is told elsewhere.
  rmSync(join(copy, 'performance-checks.yaml'));
  const file = join(copy, 'site.yaml');
  writeFileSync(file, withoutSecondPerson(readFileSync(file, 'utf8')));
  return copy;
}
