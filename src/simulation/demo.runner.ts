import { randomBytes } from 'node:crypto';
import { mkdir } from 'node:fs/promises';
import { join } from 'node:path';
import { setTimeout } from 'node:timers/promises';
import { Misconfigured } from '../errors.js';
import { addMs, formatInstant } from '../formats/instant.js';
import { describeFault } from '../site/site-fault.js';
import { loadSiteFolder } from '../site/site-folder.files.js';
import type { SiteFolder } from '../site/site-folder.js';
import { anchoredClock } from '../storage/clock.js';
import { booksDocument } from './books.js';
import { SimulatedDay } from './day.runner.js';
import { demoSummary } from './demo-summary.js';
import { type DemoVerdict, demoVerdict, type GatewayCounts } from './demo-verdict.js';
import { expectationCsv } from './expectation-rows.js';
import { createKey, createPerson, type GatewayProcess, startGateway } from './gateway.process.js';
import { askGateway } from './gateway-api.client.js';
import { readReport } from './gateway-report.js';
import { SimulatedInstrument } from './instrument.js';
import { judge } from './judge.js';
import { HTTP_INSTRUMENTS, northquayDay, OPERATORS } from './northquay-day.js';
import { ERP_SCHEDULE, LIMS_SCHEDULE } from './northquay-faults.js';
import { ERP_FIELDS, LIMS_FIELDS } from './northquay-fields.js';
import { SimulatedReviewer } from './reviewer.client.js';
import { scoreCurve } from './score-curve.js';
import type { StandIn } from './stand-in.server.js';
import { type StandInErp, startStandInErp } from './stand-in-erp.server.js';
import { startStandInLims } from './stand-in-lims.server.js';
import type { Story } from './story.js';

export interface DemoOptions {
  readonly dataDirectory: string;
  readonly siteFolderDirectory: string;
  readonly port: string;
  readonly seed: number;
  readonly environment: NodeJS.ProcessEnv;
  /** Ends the demo and everything it started. */
  readonly signal: AbortSignal;
  readonly say: (text: string) => void;
}

export interface FinishedDemo {
  readonly verdict: DemoVerdict;
  readonly summary: string;
  readonly url: string;
  /** With which to sign in on the pages: the simulated reviewer's account. */
  readonly signIn: { readonly userName: string; readonly password: string };
  /** Resolves with a sentence when the gateway ends by itself. */
  readonly gatewayDied: Promise<string>;
  stop(): Promise<void>;
}

/** Measures nothing: somebody else than the operators of the day. */
const REVIEWER = {
  userName: 'sim.reviewer',
  printedName: 'Reviewer One (simulated)',
  role: 'reviewer',
};
/** The first person of a gateway makes the others. */
const ADMINISTRATOR = {
  userName: 'sim.admin',
  printedName: 'Administrator One (simulated)',
  role: 'administrator',
};
/** The stand-in ERP's time between releasing a drum and issuing it. */
const HOLDING_MS = 8000;
const ROUND_MS = 1000;
/** Goods came in this long before the demo's day begins. */
const RECEIVED_BEFORE_MS = 2 * 3_600_000;
const DAY_MS = 24 * 3_600_000;
const SETTLE_MAX_MS = 20_000;
const STILL_MS = 2000;
const POLL_MS = 250;

/**
 * Starts stand-ins and gateway, lives the day, waits until all is still, and judges. Everything it started
 * runs until `stop`; when it throws, or the signal aborts it, nothing is left running.
 */
export async function runDemo(options: DemoOptions): Promise<FinishedDemo> {
  const site = await readSite(options);
  const running: { close: () => Promise<void> }[] = [];
  const stop = async (): Promise<void> => {
    for (const one of running.splice(0).reverse()) await one.close();
  };
  try {
    return await Promise.race([liveDay(options, site, running, stop), aborted(options.signal)]);
  } catch (error) {
    await stop();
    throw error;
  }
}

async function liveDay(
  options: DemoOptions,
  site: SiteFolder,
  running: { close: () => Promise<void> }[],
  stop: () => Promise<void>,
): Promise<FinishedDemo> {
  const { say } = options;
  const clock = anchoredClock();
  const watchDirectory = join(options.dataDirectory, 'inbox');
  await mkdir(watchDirectory, { recursive: true });
  const sinks = await startSinks(site, clock, running);
  say(`Stand-in LIMS at ${sinks.lims.url}, stand-in ERP at ${sinks.erp.url}`);
  const environment = { ...options.environment, ...sinks.environment };
  const place = { ...options, environment, watchDirectory };
  say(`Starting the gateway on ${options.dataDirectory}`);
  const logFile = join(options.dataDirectory, 'gateway.log');
  const gateway = await startGateway({ ...place, logFile });
  running.push({ close: () => gateway.stop() });
  const keys = await createKeys(place, site.site);
  sinks.erp.releases.setGateway({ url: gateway.url, key: keys.statement });
  const reviewer = await startReviewer(place, gateway.url, options);
  running.push(reviewer);
  const story = northquayDay({ auditedManufacturer: auditedBy(site) });
  const receivedAt = addMs(clock.now(), -RECEIVED_BEFORE_MS);
  await announce(gateway.url, keys.desk, expectationCsv(story.receipts, receivedAt, site.timeZone));
  say(`${story.receipts.length} receipts announced; the gateway's page is ${gateway.url}/`);
  const day = new SimulatedDay({
    story,
    site,
    clock,
    instruments: buildInstruments(site, options.seed),
    overHttp: HTTP_INSTRUMENTS,
    gatewayUrl: gateway.url,
    watchDirectory,
    bundleKey: keys.bundle,
    statementKey: keys.statement,
    erp: sinks.erp.ledger,
    receivedAt,
    signal: options.signal,
    say,
  });
  await Promise.race([day.run(), failWhenDead(gateway), reviewer.failed]);
  say('The day is over; waiting until nothing moves any more');
  const verdict = await settle(gateway.url, keys.desk, story, day, sinks);
  return {
    verdict,
    summary: demoSummary(verdict, story, {
      erp: booksDocument(sinks.erp.ledger.books),
      misdeeds: [
        ['stand-in LIMS', sinks.lims.misdeeds],
        ['stand-in ERP', sinks.erp.misdeeds],
      ],
    }),
    url: gateway.url,
    signIn: reviewer.signIn,
    gatewayDied: gateway.died,
    stop,
  };
}

interface Sinks {
  readonly lims: StandIn;
  readonly erp: StandInErp;
  readonly environment: Readonly<Record<string, string>>;
}

async function startSinks(
  site: SiteFolder,
  clock: ReturnType<typeof anchoredClock>,
  running: { close: () => Promise<void> }[],
): Promise<Sinks> {
  const limsToken = randomBytes(16).toString('hex');
  const erpToken = randomBytes(16).toString('hex');
  const common = { clock, journal: null, askable: true };
  const lims = await startStandInLims({
    ...common,
    token: limsToken,
    honoursKey: false,
    schedule: LIMS_SCHEDULE,
    processingMs: 40,
  });
  running.push(lims);
  const erp = await startStandInErp({
    ...common,
    token: erpToken,
    honoursKey: true,
    schedule: ERP_SCHEDULE,
    processingMs: 120,
    environment: site.environment,
    holdingMs: HOLDING_MS,
    roundMs: ROUND_MS,
  });
  running.push(erp);
  return {
    lims,
    erp,
    environment: {
      NORTHQUAY_LIMS_URL: lims.url,
      NORTHQUAY_LIMS_TOKEN: limsToken,
      NORTHQUAY_ERP_URL: erp.url,
      NORTHQUAY_ERP_TOKEN: erpToken,
    },
  };
}

/** Polls until the gateway's report and the books are as the story has them and stay so, or time is up. */
async function settle(
  url: string,
  key: string,
  story: Story,
  day: SimulatedDay,
  sinks: Sinks,
): Promise<DemoVerdict> {
  const end = performance.now() + SETTLE_MAX_MS;
  let still = { text: '', since: performance.now() };
  for (;;) {
    const counts = await readCounts(url, key, day);
    const judgement = judge(day.truth, [
      {
        name: 'lims',
        kind: 'askable',
        books: booksDocument(sinks.lims.ledger.books),
        fields: LIMS_FIELDS,
        refusesDeclared: true,
      },
      {
        name: 'erp',
        kind: 'honours',
        books: booksDocument(sinks.erp.ledger.books),
        fields: ERP_FIELDS,
        refusesDeclared: false,
      },
    ]);
    const { measured, problems } = day;
    const verdict = demoVerdict(counts, { story, measured, judgement, problems });
    const text = JSON.stringify(verdict);
    const now = performance.now();
    if (text !== still.text) still = { text, since: now };
    if (now > end || (verdict.report.ok && now - still.since > STILL_MS)) return verdict;
    await setTimeout(POLL_MS, undefined, { signal: day.setup.signal });
  }
}

/** Everything measured from a day before the goods came in to a day ahead. */
async function readCounts(url: string, key: string, day: SimulatedDay): Promise<GatewayCounts> {
  const { receivedAt } = day.setup;
  const query = new URLSearchParams({
    from: formatInstant(addMs(receivedAt, -DAY_MS)),
    to: formatInstant(addMs(receivedAt, 2 * DAY_MS)),
  });
  const { status, body } = await askGateway(url, { key, path: `/api/v1/reconciliation?${query}` });
  if (status !== 200) {
    throw new Error(`the gateway's reconciliation answered ${status} ${JSON.stringify(body)}`);
  }
  return readReport(body);
}

async function announce(url: string, key: string, csv: string): Promise<void> {
  const { status, body } = await askGateway(url, {
    key,
    method: 'POST',
    path: '/api/v1/expectations',
    contentType: 'text/csv',
    body: csv,
  });
  if (status >= 300)
    throw new Error(`the expectation was answered ${status} ${JSON.stringify(body)}`);
}

async function createKeys(place: Parameters<typeof createKey>[0], site: string) {
  const key = (name: string, ...scopes: string[]) => createKey(place, { site, name, scopes });
  const [bundle, statement, desk] = await Promise.all([
    key('sync-a', 'bundle:write'),
    key('stand-in-erp', 'statement:read'),
    key('receiving-desk', 'expectation:write', 'read'),
  ]);
  return { bundle, statement, desk };
}

/** A person of the simulated site who signs statements, until the demo ends. */
async function startReviewer(
  place: Parameters<typeof createPerson>[0],
  gatewayUrl: string,
  { signal, say }: Pick<DemoOptions, 'signal' | 'say'>,
) {
  await createPerson(place, ADMINISTRATOR);
  const initialPassword = await createPerson(place, REVIEWER);
  const { userName } = REVIEWER;
  const ending = new AbortController();
  const reviewer = new SimulatedReviewer({
    gatewayUrl,
    account: { userName, initialPassword },
    signal: AbortSignal.any([signal, ending.signal]),
    say,
  });
  await reviewer.signIn();
  let isClosing = false;
  const working = reviewer.work();
  const failed = new Promise<never>((_resolve, reject) => {
    working.catch((error: unknown) => {
      if (!isClosing) reject(error instanceof Error ? error : new Error(String(error)));
    });
  });
  // Also when nobody waits for it any more.
  failed.catch(() => undefined);
  return {
    signIn: { userName, password: reviewer.password },
    failed,
    close: async () => {
      isClosing = true;
      ending.abort();
      await working.catch(() => undefined);
    },
  };
}

async function readSite(options: DemoOptions): Promise<SiteFolder> {
  const loaded = await loadSiteFolder(options.siteFolderDirectory, {});
  if (loaded.ok) return loaded.site;
  throw new Misconfigured('site-folder-invalid', {
    found: loaded.faults.map(describeFault).join('\n'),
  });
}

function auditedBy(site: SiteFolder): string {
  const rule = site.plans.find((plan) => plan.plan === 'sqrt' && plan.manufacturer !== null);
  return rule?.manufacturer ?? 'Birchwater Chemicals (simulated)';
}

function buildInstruments(site: SiteFolder, seed: number): Map<string, SimulatedInstrument> {
  return new Map(
    site.instruments.map((instrument) => [
      instrument.serial,
      new SimulatedInstrument({
        site: site.site,
        environment: site.environment,
        timeZone: site.timeZone,
        instrument,
        syncPc: HTTP_INSTRUMENTS.has(instrument.serial) ? 'sync-a' : 'sync-b',
        seed,
        operators: OPERATORS,
        score: scoreCurve,
      }),
    ]),
  );
}

function aborted(signal: AbortSignal): Promise<never> {
  return new Promise((_resolve, reject) => {
    signal.addEventListener('abort', () => reject(new Error('the demo was interrupted')));
  });
}

async function failWhenDead(gateway: GatewayProcess): Promise<void> {
  throw new Error(await gateway.died);
}
