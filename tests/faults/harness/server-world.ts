import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { setTimeout as wait } from 'node:timers/promises';
import { pathToFileURL } from 'node:url';
import { addMs, formatInstant } from '../../../src/formats/instant.js';
import { SimulatedDay } from '../../../src/simulation/day.runner.js';
import { expectationCsv } from '../../../src/simulation/expectation-rows.js';
import { askGateway } from '../../../src/simulation/gateway-api.client.js';
import { readLeaves } from '../../../src/simulation/held-fields.js';
import { SimulatedInstrument } from '../../../src/simulation/instrument.js';
import { openLedger } from '../../../src/simulation/journal.files.js';
import { type DoubtedMessage, type Judgement, judge } from '../../../src/simulation/judge.js';
import { OPERATORS } from '../../../src/simulation/northquay-day.js';
import { scoreCurve } from '../../../src/simulation/score-curve.js';
import type { Story, StoryReceipt } from '../../../src/simulation/story.js';
import { loadSiteFolder } from '../../../src/site/site-folder.files.js';
import type { SiteFolder } from '../../../src/site/site-folder.js';
import { anchoredClock } from '../../../src/storage/clock.js';
import { freePort } from '../../support/free-port.js';
import { OwnRedis } from '../../support/redis.js';
import { repositoryRoot } from '../../support/shared.js';
import { TcpProxy } from '../../support/tcp-proxy.js';
import { createGatewayKey } from '../support/gateway-keys.js';
import { type Bite, doubtedMessages, missingMax } from './doubts.js';
import type { FaultPlace } from './fault-place.js';
import { copyFaultSite, IN_FLIGHT_MAX } from './fault-site.js';
import { Load } from './load.js';
import { ManagedProcess } from './managed-process.js';
import { SitePeople } from './people.js';
import { fakeTimeEnvironment } from './postgres-cluster.js';
import type { SinkName, Target } from './schedule.js';
import { SINK_FIELDS, SINK_KINDS, SinkProcess } from './sink-process.js';
import { countUnderWay } from './under-way.js';

const WORKERS = 2;
/** The destination of the kind that can tell nothing. */
const DOUBTED_SINK: SinkName = 'archive';
const ANNOUNCE_AGAIN_MS = 300;
/** A sync PC does not give up; the bound is that of the trial. */
const HAND_OVER_ATTEMPTS_MAX = 1000;
const RECEIVED_BEFORE_MS = 3_600_000;
/** Tables that tell what the gateway thought. */
const EVIDENCE = [
  'delivery',
  'attempt',
  'worker',
  'discrepancy',
  'statement',
  'withdrawal',
  'attribution',
  'delivery_act',
];

export interface ServerWorldOptions {
  readonly place: FaultPlace;
  /** Name of the database and of the folder that keeps logs. */
  readonly name: string;
  readonly seed: number;
  /** Receipts that each of the four instruments could measure. */
  readonly receiptsEach: number;
  readonly gateways: 1 | 2;
  readonly sinks: readonly SinkName[];
  /** Of these, those that refuse messages for a while. */
  readonly refusing: ReadonlySet<SinkName>;
  /** Workers whose wall clock goes by a file. */
  readonly movedWorkers: ReadonlySet<number>;
  readonly logDirectory: string;
}

/** A gateway or worker with its own way to the database. */
export interface Member {
  readonly target: Target;
  readonly process: ManagedProcess;
  readonly proxy: TcpProxy;
  /** File its wall clock goes by; null for the machine's. */
  readonly clockFile: string | null;
}

/** Gateways, workers, a database, a Redis and stand-ins as processes of their own, with books on the other side. */
export class ServerWorld {
  readonly members: Member[] = [];
  readonly sinks: SinkProcess[] = [];
  readonly load: Load;
  readonly #clock = anchoredClock();
  readonly #receivedAt = addMs(this.#clock.now(), -RECEIVED_BEFORE_MS);
  readonly #abort = new AbortController();
  readonly #instruments: ReadonlyMap<string, SimulatedInstrument>;
  readonly #people: SitePeople;
  readonly #ports: number[] = [];
  #keys = { bundle: '', desk: '', statement: '' };

  private constructor(
    readonly options: ServerWorldOptions,
    readonly redis: OwnRedis,
    private readonly directory: string,
    private readonly site: SiteFolder,
  ) {
    this.#instruments = instrumentsOf(site, options.seed);
    this.#people = new SitePeople({
      dataDirectories: Array.from({ length: options.gateways }, (_, i) => this.#dataOf(i)),
      signal: this.#abort.signal,
      rowIdOf: (resultId) => this.#rowIdOf(resultId),
      refusing: options.refusing,
      doubted: options.sinks.includes(DOUBTED_SINK) ? DOUBTED_SINK : null,
      storeHash: async (userName, hash) => {
        await this.#query(
          `update account set password = '${hash}' where user_name = '${userName}'`,
        );
      },
    });
    this.load = new Load({
      seed: options.seed,
      receiptsEach: options.receiptsEach,
      now: () => formatInstant(this.#clock.now()),
      people: this.#people,
      announce: (receipts) => this.#announce(receipts),
      day: (serial, story) => this.#day(serial, story),
    });
  }

  static async open(options: ServerWorldOptions): Promise<ServerWorld> {
    const directory = mkdtempSync(join(tmpdir(), 'drumline-faults-'));
    // Journals of an earlier run of the same name would be taken up.
    rmSync(options.logDirectory, { recursive: true, force: true });
    mkdirSync(options.logDirectory, { recursive: true });
    const siteDirectory = join(directory, 'site');
    copyFaultSite(siteDirectory, options.sinks);
    const loaded = await loadSiteFolder(siteDirectory, {});
    if (!loaded.ok) throw new Error(`the site folder: ${JSON.stringify(loaded.faults[0])}`);
    await options.place.cluster.createDatabase(options.name);
    const redis = await OwnRedis.start('--maxmemory-policy', 'noeviction');
    const world = new ServerWorld(options, redis, directory, loaded.site);
    try {
      await world.#start();
    } catch (error) {
      await world.close();
      throw error;
    }
    return world;
  }

  member(target: Target): Member {
    const ofRole = this.members.filter((m) => m.target.role === target.role);
    return ofRole[target.index % ofRole.length] as Member;
  }

  sink(name: SinkName): SinkProcess {
    return this.sinks.find((s) => s.name === name) as SinkProcess;
  }

  /** Tells the stand-in ERP again where statements are; it forgets with its process. */
  async tellErp(): Promise<void> {
    const erp = this.sinks.find((s) => s.name === 'erp');
    await erp?.setGateway({ url: this.#urlFor(1), key: this.#keys.statement });
  }

  /**
   * A judgement, from the books and what was really in the drums, of the gateway only what it says it is in
   * doubt about; how much the destinations have taken in and applied so far; and how much the gateway has still to do.
   */
  async look(): Promise<{
    readonly judgement: Judgement;
    readonly effects: number;
    readonly underWay: number;
  }> {
    // Before the books: what ends in between is in them.
    const underWay = await countUnderWay((text) => this.#query(text));
    const doubted = await this.#doubts();
    const destinations = await Promise.all(
      this.sinks.map(async (sink) => ({
        name: sink.name,
        kind: SINK_KINDS[sink.name],
        books: await sink.books(),
        fields: SINK_FIELDS[sink.name],
        refusesDeclared: false,
        ...(SINK_KINDS[sink.name] === 'neither' ? { doubted } : {}),
      })),
    );
    const messages = destinations.flatMap(({ books }) => books.messages);
    return {
      judgement: judge(this.load.truth, destinations),
      effects: messages.length + messages.filter((m) => m.applied).length,
      underWay,
    };
  }

  /** Messages in doubt at the destination that can tell nothing, and how many of them it does not have. */
  async inDoubt(): Promise<{ readonly messages: number; readonly missing: number }> {
    const doubted = await this.#doubts();
    const { resultId, revision } = SINK_FIELDS[DOUBTED_SINK];
    const books = await this.sinks.find((s) => s.name === DOUBTED_SINK)?.books();
    const held = new Set(
      books?.messages.map(({ messageType, content }) => {
        const leaves = readLeaves(content);
        return `${messageType} ${leaves.get(resultId)} ${leaves.get(revision)}`;
      }),
    );
    const missing = doubted.filter(
      (one) => !held.has(`${one.messageType} ${one.resultId} ${one.revision}`),
    );
    return { messages: doubted.length, missing: missing.length };
  }

  /** How many messages in doubt that destination can be without at most, after what was done to the world. */
  missingMax(bites: readonly Bite[]): number {
    const workers = this.members.filter(({ target }) => target.role === 'work');
    const workerKills = workers.reduce((sum, { process }) => sum + process.killedAt.length, 0);
    const inFlightMax = IN_FLIGHT_MAX;
    return missingMax({ workerKills, bites, destination: DOUBTED_SINK, inFlightMax });
  }

  /** Processes that ended though nobody ended them. */
  get problems(): string[] {
    return [...this.members.map((m) => m.process), ...this.sinks.map((s) => s.process)].flatMap(
      (process) => process.problems,
    );
  }

  async untilAllReady(msMax: number): Promise<boolean> {
    const end = performance.now() + msMax;
    while (performance.now() < end) {
      if (this.members.every((m) => m.process.isReady)) return true;
      await wait(50);
    }
    return false;
  }

  /** Leaves beside the logs what one wants to see first when a seed failed. */
  async keepEvidence(findings: readonly string[]): Promise<void> {
    const { logDirectory, place, name } = this.options;
    writeFileSync(join(logDirectory, 'findings.txt'), `${findings.join('\n')}\n`);
    for (const table of EVIDENCE) {
      const rows = await place.cluster
        .asOwner(`select row_to_json(t) as row from ${table} t`, name)
        .then((answer) => answer.rows as { row: unknown }[])
        .catch((error: unknown) => [{ row: String(error) }]);
      const lines = rows.map(({ row }) => JSON.stringify(row));
      writeFileSync(join(logDirectory, `${table}.jsonl`), `${lines.join('\n')}\n`);
    }
    for (const sink of this.sinks) {
      const books = await sink.books().catch(() => null);
      writeFileSync(join(logDirectory, `books-${sink.name}.json`), JSON.stringify(books, null, 1));
    }
    const truth = JSON.stringify(this.load.truth.measured, null, 1);
    writeFileSync(join(logDirectory, 'measured.json'), truth);
  }

  async close(): Promise<void> {
    this.#abort.abort();
    await Promise.all(this.members.map((m) => m.process.stop()));
    await Promise.all(this.members.map((m) => m.proxy.close()));
    await Promise.all(this.sinks.map((s) => s.process.stop()));
    await this.redis.end();
    await this.options.place.cluster.dropDatabase(this.options.name);
    rmSync(this.directory, { recursive: true, force: true });
  }

  async #start(): Promise<void> {
    const { sinks, gateways, logDirectory } = this.options;
    this.sinks.push(
      ...(await Promise.all(sinks.map((name) => SinkProcess.start(name, logDirectory)))),
    );
    for (let i = 0; i < gateways; i += 1) await this.#prepare('serve', i as 0 | 1);
    for (let i = 0; i < WORKERS; i += 1) await this.#prepare('work', i as 0 | 1);
    // The first one brings the schema; the others may start at once then.
    const [first, ...others] = this.members;
    await first?.process.start();
    await Promise.all(others.map((m) => m.process.start()));
    const key = (name: string, ...scopes: string[]) =>
      createGatewayKey(this.#dataOf(0), { site: this.site.site, name, scopes });
    this.#keys = {
      bundle: await key('sync', 'bundle:write'),
      desk: await key('desk', 'expectation:write', 'read'),
      statement: await key('erp', 'statement:read'),
    };
    await this.tellErp();
    await this.#people.open();
    // What a person could not do now is done at the next look.
    void this.#people.tend();
  }

  async #prepare(role: Target['role'], index: 0 | 1): Promise<void> {
    const { place, name, logDirectory, movedWorkers } = this.options;
    const proxy = await TcpProxy.open({ host: '127.0.0.1', port: place.cluster.port });
    const isMoved = role === 'work' && movedWorkers.has(index) && place.fakeTime !== null;
    const clockFile = isMoved ? join(this.directory, `clock-${index}`) : null;
    if (clockFile !== null) writeFileSync(clockFile, '+0');
    const port = await freePort();
    if (role === 'serve') this.#ports.push(port);
    const common = ['--site-folder', join(this.directory, 'site'), '--log-level', 'info', '--json'];
    const args =
      role === 'serve'
        ? ['serve', '--no-work', '--port', String(port), '--data', this.#dataOf(index), ...common]
        : ['work', '--concurrency', '1', ...common];
    const process_ = new ManagedProcess({
      name: `${role} ${index + 1}`,
      args: [join(repositoryRoot(), 'bin', 'drumline.js'), ...args],
      environment: {
        ...process.env,
        ...Object.assign({}, ...this.sinks.map((sink) => sink.environment)),
        ...(clockFile !== null ? fakeTimeEnvironment(place.fakeTime ?? '', clockFile) : {}),
        DATABASE_URL: place.cluster.urlOf(name, proxy.port),
        REDIS_URL: this.redis.url,
        NODE_OPTIONS: `--import ${pathToFileURL(join(repositoryRoot(), 'tests/faults/kill-at.mjs')).href}`,
        FAULT_KILL_CHANNEL: 'yes',
      },
      readyEvent: role === 'serve' ? 'listening' : 'working',
      logFile: join(logDirectory, `${role}-${index + 1}.log`),
      hasChannel: true,
    });
    this.members.push({ target: { role, index }, process: process_, proxy, clockFile });
  }

  /** As the export of an ERP does it: again until it is answered, since an answer that got lost says nothing. */
  async #announce(receipts: readonly StoryReceipt[]): Promise<void> {
    const body = expectationCsv(receipts, this.#receivedAt, this.site.timeZone);
    for (;;) {
      this.#abort.signal.throwIfAborted();
      const answer = await askGateway(this.#urlFor(0), {
        key: this.#keys.desk,
        method: 'POST',
        path: '/api/v1/expectations',
        contentType: 'text/csv',
        body,
      }).catch(() => null);
      if (answer?.status === 200) return;
      if (answer !== null && answer.status < 500) {
        throw new Error(`announcing: ${answer.status} ${JSON.stringify(answer.body)}`);
      }
      await wait(ANNOUNCE_AGAIN_MS);
    }
  }

  async #doubts(): Promise<readonly DoubtedMessage[]> {
    return await doubtedMessages((text) => this.#query(text), DOUBTED_SINK);
  }

  /** As the page of a result has it; a name here is one of the instrument's own. */
  async #rowIdOf(resultId: string): Promise<string | null> {
    const [row] = await this.#query(`select id from result where result_id = '${resultId}'`);
    return (row as { readonly id: string } | undefined)?.id ?? null;
  }

  async #query(text: string): Promise<readonly unknown[]> {
    const { place, name } = this.options;
    return (await place.cluster.asOwner(text, name)).rows;
  }

  #dataOf(index: number): string {
    return join(this.directory, `data-${index}`);
  }

  #urlFor(n: number): string {
    return `http://127.0.0.1:${this.#ports[n % this.#ports.length]}`;
  }

  #day(serial: string | null, story: Story): SimulatedDay {
    const position = serial === null ? 0 : [...this.#instruments.keys()].indexOf(serial);
    return new SimulatedDay({
      story,
      site: this.site,
      clock: this.#clock,
      instruments: this.#instruments,
      overHttp: new Set(this.#instruments.keys()),
      gatewayUrl: this.#urlFor(position),
      watchDirectory: this.directory,
      bundleKey: this.#keys.bundle,
      statementKey: this.#keys.statement,
      erp: openLedger(null),
      receivedAt: this.#receivedAt,
      handOverAttemptsMax: HAND_OVER_ATTEMPTS_MAX,
      signal: this.#abort.signal,
      say: () => undefined,
    });
  }
}

function instrumentsOf(site: SiteFolder, seed: number): Map<string, SimulatedInstrument> {
  return new Map(
    site.instruments.map((instrument) => [
      instrument.serial,
      new SimulatedInstrument({
        site: site.site,
        environment: site.environment,
        timeZone: site.timeZone,
        instrument,
        syncPc: 'sync-a',
        seed,
        operators: OPERATORS,
        score: scoreCurve,
      }),
    ]),
  );
}
