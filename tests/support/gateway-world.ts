import { cpSync, existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { type Kysely, sql } from 'kysely';
import { request } from 'undici';
import { parse } from 'yaml';
import { readControl } from '../../src/access/control.files.js';
import { readSettings } from '../../src/config.js';
import { type Application, openApplication } from '../../src/main.js';
import { type GatewayPools, openPools } from '../../src/pipeline/gateway-pools.pool.js';
import type { StatementRecord } from '../../src/records/statement-record.js';
import { type MisbehaviourSchedule, WELL_BEHAVED } from '../../src/simulation/misbehaviour.js';
import type { StandIn } from '../../src/simulation/stand-in.server.js';
import { type StandInErp, startStandInErp } from '../../src/simulation/stand-in-erp.server.js';
import { startStandInLims } from '../../src/simulation/stand-in-lims.server.js';
import { PERFORMANCE_FILE } from '../../src/site/performance-source.js';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import type { Environment } from '../../src/site/vocabulary.js';
import { anchoredClock } from '../../src/storage/clock.js';
import type { DatabasePlace } from '../../src/storage/database.js';
import type { Tables } from '../../src/storage/tables.js';
import { withoutSecondPerson } from './site-edits.js';
import { type FileEdits, NORTHQUAY } from './site-folder-copy.js';
import { isPostgres, readerOf, takePlace, writerOf } from './temp-database.js';
import { until } from './until.js';

const TOKEN = 'simulated';
const WAIT_MS_MAX = 20_000;
/** Of this process, for all its worlds: starting them anew takes longer than most tests. They end with the process. */
let pools: GatewayPools | null = null;
const SCOPES = ['bundle:write', 'expectation:write', 'statement:read', 'read'];

export interface WorldOptions {
  /** Changes of the site folder; a file that is not there begins empty. */
  readonly edits?: FileEdits;
  /** True: a reviewer signs every statement, as at Northquay; else the site decided to do without. */
  readonly secondPerson?: boolean;
  /** True: results count between two passing checks, as at Northquay; else the site has written nothing about it. */
  readonly performanceChecks?: boolean;
  /** False: the gateway answers and does nothing by itself, so that no bundle is ever examined. */
  readonly work?: boolean;
  readonly lims?: MisbehaviourSchedule;
  readonly erp?: MisbehaviourSchedule;
  /** False: the ERP asks for no statement, so that nothing is evaluated because somebody looked. */
  readonly erpPulls?: boolean;
}

export interface HttpAnswer {
  readonly status: number;
  readonly headers: Readonly<Record<string, string | string[] | undefined>>;
  readonly text: string;
  readonly json: Record<string, unknown>;
}

export interface HttpAsk {
  readonly path: string;
  readonly method?: 'GET' | 'POST' | 'PUT' | 'DELETE';
  /** Presented as a bearer; null presents none; the all-scopes key when left out. */
  readonly key?: string | null;
  readonly headers?: Readonly<Record<string, string>>;
  readonly body?: string | Uint8Array;
}

/** A bundle as `GET /api/v1/bundles/{id}` shows it. */
export interface ShownBundle {
  readonly intakeId: string;
  readonly state: string;
  readonly duplicateOf: string | null;
  readonly findings: readonly {
    readonly code: string;
    readonly pointer: string;
    readonly message: string;
    readonly advice: string;
  }[];
}

/**
 * The whole wired gateway in this process, over real HTTP, between two stand-ins that keep their own books.
 * The site folder is Northquay's with shorter waits at its destinations.
 */
export class GatewayWorld {
  readonly clock = anchoredClock();
  /** The database as another reader sees it: committed rows only. */
  db: Kysely<Tables>;
  key = '';
  url = '';
  #app: Application;

  private constructor(
    readonly directory: string,
    readonly site: SiteFolder,
    readonly lims: StandIn,
    readonly erp: StandInErp,
    app: Application,
    private readonly options: WorldOptions,
    private place: DatabasePlace & { release(): Promise<void> },
  ) {
    this.#app = app;
    this.db = readerOf(place);
  }

  static async open(options: WorldOptions = {}): Promise<GatewayWorld> {
    const directory = mkdtempSync(join(tmpdir(), 'drumline-world-'));
    process.env['NORTHQUAY_LIMS_TOKEN'] = TOKEN;
    process.env['NORTHQUAY_ERP_TOKEN'] = TOKEN;
    const siteFolder = join(directory, 'site');
    copySite(siteFolder, options);
    const environment = environmentOf(siteFolder);
    const common = { clock: anchoredClock(), journal: null, askable: true, token: TOKEN };
    const lims = await startStandInLims({
      ...common,
      honoursKey: false,
      processingMs: 5,
      schedule: options.lims ?? WELL_BEHAVED,
    });
    const erp = await startStandInErp({
      ...common,
      honoursKey: true,
      processingMs: 5,
      schedule: options.erp ?? WELL_BEHAVED,
      environment,
      holdingMs: 200,
      roundMs: 100,
    });
    process.env['NORTHQUAY_LIMS_URL'] = lims.url;
    process.env['NORTHQUAY_ERP_URL'] = erp.url;
    const place = await takePlace(join(directory, 'data'));
    const app = await openGateway(place, siteFolder, options).catch(async (error: unknown) => {
      for (const standIn of [erp, lims]) await standIn.close();
      await place.release();
      throw error;
    });
    const site = await loaded(siteFolder);
    const world = new GatewayWorld(directory, site, lims, erp, app, options, place);
    await world.#listen();
    world.key = await world.createKey('everything', { scopes: SCOPES });
    world.#showErp();
    return world;
  }

  async close(): Promise<void> {
    await this.erp.close();
    await this.lims.close();
    await this.db.destroy();
    await this.#app.close();
    await this.place.release();
    rmSync(this.directory, { recursive: true, force: true });
  }

  /** Writes what no address of the gateway would. */
  async write(work: (db: Kysely<Tables>) => Promise<unknown>): Promise<void> {
    const db = writerOf(this.place, { timeout: 0 });
    try {
      if (isPostgres) await work(db);
      else await db.connection().execute((connection) => writeBeside(connection, work));
    } finally {
      await db.destroy();
    }
  }

  /** Name of its database on the server. */
  databaseName(): string {
    const { databaseUrl } = this.place;
    if (databaseUrl === null) throw new Error('the database is a file');
    return new URL(databaseUrl).pathname.slice(1);
  }

  /** Closes the gateway and starts it again on the same database. */
  async restart(): Promise<void> {
    await this.#app.close();
    this.#app = await openGateway(this.place, this.siteFolder, this.options);
    await this.#listen();
    this.#showErp();
  }

  /** Starts a stopped gateway on another data folder or database, as after a restore. */
  async restartAt(where: DatabasePlace): Promise<void> {
    const { release } = this.place;
    this.place = { ...where, release };
    this.#app = await openGateway(this.place, this.siteFolder, this.options);
    this.db = readerOf(this.place);
    await this.#listen();
    this.#showErp();
  }

  /** Closes the gateway; the stand-ins go on. */
  async stop(): Promise<void> {
    await this.db.destroy();
    await this.#app.close();
  }

  /** Where its database is now. */
  get databasePlace(): DatabasePlace {
    const { dataDirectory, databaseUrl } = this.place;
    return { dataDirectory, databaseUrl };
  }

  get dataDirectory(): string {
    return this.place.dataDirectory;
  }

  async http(ask: HttpAsk): Promise<HttpAnswer> {
    const key = ask.key === undefined ? this.key : ask.key;
    const answer = await request(new URL(ask.path, this.url), {
      method: ask.method ?? (ask.body === undefined ? 'GET' : 'POST'),
      headers: {
        ...(key === null ? {} : { authorization: `Bearer ${key}` }),
        ...ask.headers,
      },
      body: ask.body ?? null,
    });
    const text = await answer.body.text();
    const type = String(answer.headers['content-type'] ?? '');
    const json = /json/.test(type) ? (JSON.parse(text) as Record<string, unknown>) : {};
    return { status: answer.statusCode, headers: answer.headers, text, json };
  }

  /** As `drumline key create` does it: through the control file of the data folder. */
  async createKey(
    name: string,
    key: {
      readonly scopes: readonly string[];
      readonly expiresAt?: string;
      /** User name of who answers for what is proposed with it. */
      readonly responsible?: string;
    },
  ): Promise<string> {
    const { json, status, text } = await this.http({
      path: '/api/v1/keys',
      key: this.controlToken,
      headers: { 'content-type': 'application/json' },
      body: JSON.stringify({ site: this.site.site, name, ...key }),
    });
    if (status !== 201) throw new Error(`a key was answered ${status} ${text}`);
    return String(json['key']);
  }

  get siteFolder(): string {
    return join(this.directory, 'site');
  }

  get controlToken(): string {
    const control = readControl(this.place.dataDirectory);
    if (!control) throw new Error('the gateway wrote no control file');
    return control.token;
  }

  postBundle(bytes: string | Uint8Array, idempotencyKey: string): Promise<HttpAnswer> {
    return this.http({
      path: '/api/v1/bundles',
      headers: { 'content-type': 'application/json', 'idempotency-key': `"${idempotencyKey}"` },
      body: bytes,
    });
  }

  /** Hands a bundle over and waits until its checks are through. */
  async take(bundle: {
    readonly bytes: Uint8Array;
    readonly sha256: string;
  }): Promise<ShownBundle> {
    const answer = await this.postBundle(bundle.bytes, bundle.sha256);
    if (answer.status !== 202) throw new Error(`a bundle was answered ${answer.text}`);
    return this.settled(String(answer.json['intakeId']));
  }

  async settled(intakeId: string): Promise<ShownBundle> {
    let shown = await this.#bundle(intakeId);
    await this.until(`bundle ${intakeId} is settled`, async () => {
      shown = await this.#bundle(intakeId);
      return shown.state !== 'received';
    });
    return shown;
  }

  async announce(csv: string): Promise<HttpAnswer> {
    return this.http({
      path: '/api/v1/expectations',
      headers: { 'content-type': 'text/csv' },
      body: csv,
    });
  }

  async statement(receiptId: string): Promise<StatementRecord> {
    const path = `/api/v1/receipts/${encodeURIComponent(receiptId)}/statement`;
    const { status, text, json } = await this.http({ path });
    if (status !== 200) throw new Error(`the statement of ${receiptId} was answered ${text}`);
    return json as unknown as StatementRecord;
  }

  /** Waits until the statement says so, and returns it; fails with what it says instead. */
  async says(receiptId: string, outcome: StatementRecord['outcome']): Promise<StatementRecord> {
    let statement = await this.statement(receiptId);
    const open = () =>
      statement.conditions.filter((c) => c.state !== 'met').map((c) => `${c.code}: ${c.found}`);
    await this.until(
      () => `${receiptId} is ${outcome}, it is ${statement.outcome} (${open().join(' | ')})`,
      async () => {
        statement = await this.statement(receiptId);
        return statement.outcome === outcome;
      },
    );
    return statement;
  }

  /** Waits for a condition, looking every few milliseconds; fails by name when it does not come true. */
  async until(
    what: string | (() => string),
    condition: () => boolean | Promise<boolean>,
  ): Promise<void> {
    await until(what, condition, WAIT_MS_MAX);
  }

  /**
   * Waits until nothing is on its way to any destination and nothing waits to be looked at. One statement asks for all of
   * it: what the last confirmation sets off could be over before the second of several is asked.
   */
  async quiet(): Promise<void> {
    let open: readonly { kind: string; what: string; state: string }[] = [];
    await this.until(
      () => `deliveries are through: ${JSON.stringify(open)}`,
      async () => {
        const found = await sql<{ kind: string; what: string; state: string }>`
          select subject_kind as kind, destination as what, state from delivery
            where state not in ('confirmed', 'cancelled', 'superseded', 'parked', 'rejected')
          union all select 'receipt', id, 'due' from receipt
            where evaluation_due = 1 and announced = 1
          union all select 'news', site, 'due' from receipt_news
          union all select 'second look', bundle_row_id, 'due' from second_look`.execute(this.db);
        open = found.rows;
        return open.length === 0;
      },
    );
  }

  async #listen(): Promise<void> {
    this.url = await this.#app.listen();
  }

  #showErp(): void {
    if (this.options.erpPulls ?? true) {
      this.erp.releases.setGateway({ url: this.url, key: this.key });
    }
  }

  async #bundle(intakeId: string): Promise<ShownBundle> {
    const { status, text, json } = await this.http({ path: `/api/v1/bundles/${intakeId}` });
    if (status !== 200) throw new Error(`bundle ${intakeId} was answered ${text}`);
    return json as unknown as ShownBundle;
  }
}

function openGateway(
  place: DatabasePlace,
  siteFolder: string,
  options: WorldOptions,
): Promise<Application> {
  const settings = readSettings(
    { DRUMLINE_LOG_LEVEL: 'silent' },
    { data: place.dataDirectory, siteFolder, port: '0' },
  );
  pools ??= openPools(settings.poolThreads);
  return openApplication(
    { ...settings, databaseUrl: place.databaseUrl },
    { work: options.work ?? true, pools },
  );
}

function copySite(directory: string, options: WorldOptions): void {
  const { edits = {}, secondPerson = false, performanceChecks = false } = options;
  cpSync(NORTHQUAY, directory, { recursive: true });
  if (!performanceChecks) rmSync(join(directory, PERFORMANCE_FILE));
  const site = join(directory, 'site.yaml');
  if (!secondPerson) writeFileSync(site, withoutSecondPerson(readFileSync(site, 'utf8')));
  for (const [name, edit] of Object.entries({ ...edits })) {
    const file = join(directory, name);
    writeFileSync(file, edit(existsSync(file) ? readFileSync(file, 'utf8') : ''));
  }
  writeFileSync(site, shorterWaits(readFileSync(site, 'utf8')));
}

function shorterWaits(siteYaml: string): string {
  return siteYaml
    .replaceAll('processingMs: 400', 'processingMs: 30')
    .replaceAll('settleMs: 500', 'settleMs: 60')
    .replaceAll('retryBaseMs: 200', 'retryBaseMs: 20')
    .replaceAll('retryMaxMs: 3000', 'retryMaxMs: 200');
}

/** The folder as a whole is read once it is known where the stand-ins are. */
function environmentOf(siteFolder: string): Environment {
  const text = readFileSync(join(siteFolder, 'site.yaml'), 'utf8');
  return (parse(text) as { readonly environment: Environment }).environment;
}

async function loaded(directory: string): Promise<SiteFolder> {
  const folder = await loadSiteFolder(directory, process.env);
  if (!folder.ok) throw new Error(JSON.stringify(folder.faults));
  return folder.site;
}

/**
 * The gateway runs in this thread: while a write of SQLite waits there for the end of the gateway's transaction, that
 * end cannot come. So it is asked for again and again.
 */
async function writeBeside(
  connection: Kysely<Tables>,
  work: (db: Kysely<Tables>) => Promise<unknown>,
): Promise<void> {
  await until('the file is free', async () => {
    try {
      await sql`begin immediate`.execute(connection);
      return true;
    } catch (error) {
      if (error instanceof Error && 'code' in error && error.code === 'SQLITE_BUSY') return false;
      throw error;
    }
  });
  await work(connection);
  await sql`commit`.execute(connection);
}
