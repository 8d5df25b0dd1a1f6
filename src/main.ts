import 'reflect-metadata';
import { randomBytes } from 'node:crypto';
import type { Server, Socket } from 'node:net';
import helmet from '@fastify/helmet';
import type { DynamicModule } from '@nestjs/common';
import { NestFactory } from '@nestjs/core';
import { FastifyAdapter, type NestFastifyApplication } from '@nestjs/platform-fastify';
import type { FastifyInstance } from 'fastify';
import { destination, type Logger, pino } from 'pino';
import { type Control, removeControl, writeControl } from './access/control.files.js';
import type { Mask } from './access/secret-mask.js';
import { Secrets } from './access/secrets.files.js';
import { readTls, type TlsIdentity } from './access/tls.files.js';
import { AppModule, HealthModule } from './app.module.js';
import { processEnvironment, type Settings } from './config.js';
import { siteView } from './dashboard/build-day-view.js';
import { Misconfigured } from './errors.js';
import type { Gateway } from './pipeline/gateway.service.js';
import type { GatewayPools } from './pipeline/gateway-pools.pool.js';
import { type OpenGatewayOptions, openGateway } from './pipeline/open-gateway.service.js';
import { answerUnroutable, ProblemFilter } from './problem.filter.js';

export interface Application {
  /** Takes requests; returns the address. */
  listen(): Promise<string>;
  /** Answers one request without listening. */
  inject(request: {
    readonly method: 'GET' | 'POST' | 'PUT' | 'DELETE';
    readonly path: string;
    readonly body?: { readonly contentType: string; readonly text: string | Uint8Array };
    readonly headers?: Readonly<Record<string, string>>;
  }): Promise<{
    readonly status: number;
    readonly text: string;
    readonly bytes: Uint8Array;
    readonly headers: Readonly<Record<string, string>>;
  }>;
  close(): Promise<void>;
}

/** A process that does what is due and takes no requests. */
export interface WorkerApplication {
  /** Its id at the start; it may take another one later. */
  readonly workerId: string;
  readonly site: string;
  /** Where it says whether it is live and ready; null when it does not. */
  readonly healthUrl: string | null;
  close(): Promise<void>;
}

export interface ApplicationOptions {
  /** It does what is due; without, it only answers, and other processes work. */
  readonly work: boolean;
  /** False for a command, see `OpenGatewayOptions`; true when left out. */
  readonly activates?: boolean;
  /** It takes bundles from the watched folder; as `work` when left out. */
  readonly watch?: boolean;
  /** Milliseconds that a request may take from its first byte to its last. */
  readonly requestMsMax?: number;
  /** Used by several gateways of this process, one behind the other; it opens and ends its own when left out. */
  readonly pools?: GatewayPools;
}

/** A browser that came over TLS once comes by nothing else for a year (RFC 6797). */
const HSTS_SECONDS = 31_536_000;
const KEEP_ALIVE_MS = 72_000;
/** From the first byte of a request to the last of its body: the largest bundle over a slow line, and no more. */
const REQUEST_MS_MAX = 120_000;
const HEADERS_MS_MAX = 20_000;
const LOOK_FOR_SLOW_REQUESTS_MS = 5_000;
/** What requests under way may still take once the gateway closes. */
const CLOSING_MS_MAX = 3_000;

/** Opens a gateway with its HTTP rim. */
export async function openApplication(
  settings: Settings,
  options: ApplicationOptions,
): Promise<Application> {
  const token = randomBytes(32).toString('base64url');
  const { pools, activates = true } = options;
  const gateway = await openSecretly(settings, token, { pools, activates });
  try {
    const module = AppModule.of(gateway.parts, token);
    const tls = readTls(settings.tls);
    const app = await openHttp(gateway, module, options.requestMsMax, tls);
    if (options.work) await gateway.work();
    else gateway.answer();
    if (options.watch ?? options.work) await gateway.watch();
    return applicationOf(app, gateway, { token, certificate: tls?.fingerprint ?? null });
  } catch (error) {
    await gateway.close();
    throw error;
  }
}

/** Opens a gateway that only works; at most its health can be asked for. */
export async function openWorker(settings: Settings): Promise<WorkerApplication> {
  const gateway = await openSecretly(settings, null, { activates: true });
  const { worker, site } = gateway.parts;
  let health: NestFastifyApplication | null = null;
  const close = async () => {
    if (health !== null) await closeHttp(health);
    await gateway.close();
  };
  try {
    health = await openHealth(gateway);
    await gateway.work();
    await gateway.recordStart('work');
    const healthUrl = (await health?.getUrl()) ?? null;
    return { workerId: worker.id, site: site.site, healthUrl, close };
  } catch (error) {
    await close();
    throw error;
  }
}

async function openHealth(gateway: Gateway): Promise<NestFastifyApplication | null> {
  const { settings } = gateway.parts;
  if (settings.healthPort === null) return null;
  const health = await openHttp(gateway, HealthModule.of(gateway.parts));
  await health.listen(settings.healthPort, settings.host);
  return health;
}

/** Opens a gateway whose log shows no secret that it knows. */
function openSecretly(
  settings: Settings,
  controlToken: string | null,
  options: OpenGatewayOptions,
): Promise<Gateway> {
  const env = processEnvironment();
  const secrets = new Secrets(env);
  if (controlToken !== null) secrets.learn('control', controlToken);
  for (const [place, address] of [
    ['DATABASE_URL', settings.databaseUrl],
    ['REDIS_URL', settings.redisUrl],
  ] as const) {
    for (const password of address === null ? [] : passwordsIn(address)) {
      secrets.learn(place, password);
    }
  }
  return openGateway(settings, env, openLog(settings, secrets.mask), secrets, options);
}

/** Where one stands before the host, and where clients also look for it. */
function passwordsIn(address: string): readonly string[] {
  const { password, searchParams } = new URL(address);
  return [decoded(password), ...searchParams.getAll('password')];
}

function decoded(text: string): string {
  try {
    return decodeURIComponent(text);
  } catch {
    // A stray percent sign: what is sent is what stands there.
    return text;
  }
}

function openLog(settings: Settings, mask: Mask): Logger {
  const stderr = destination(2);
  return pino({ level: settings.logLevel }, { write: (line) => stderr.write(mask(line)) });
}

async function openHttp(
  gateway: Gateway,
  module: DynamicModule,
  requestMsMax: number = REQUEST_MS_MAX,
  tls: TlsIdentity | null = null,
): Promise<NestFastifyApplication> {
  const timeouts = {
    requestTimeout: requestMsMax,
    // Must not lie above the other: Node takes the larger of the two for whole requests.
    headersTimeout: Math.min(HEADERS_MS_MAX, requestMsMax),
    connectionsCheckingInterval: Math.min(LOOK_FOR_SLOW_REQUESTS_MS, requestMsMax),
  };
  const adapter = new FastifyAdapter({
    bodyLimit: gateway.parts.site.limits.bundleBytesMax,
    keepAliveTimeout: KEEP_ALIVE_MS,
    requestTimeout: requestMsMax,
    ...(tls === null ? { http: timeouts } : { https: { ...timeouts, ...tls.server } }),
    routerOptions: { maxParamLength: 1000 },
    frameworkErrors: answerUnroutable,
  });
  const app = await NestFactory.create<NestFastifyApplication>(module, adapter, {
    logger: false,
    bodyParser: false,
    abortOnError: false,
  });
  const fastify = app.getHttpAdapter().getInstance();
  // Bodies are read by the handlers, after the guard: nothing unauthenticated is even buffered.
  fastify.removeAllContentTypeParsers();
  fastify.addContentTypeParser('*', (_request: unknown, payload: unknown, done: Done) => {
    done(null, payload);
  });
  rememberConnections(fastify.server);
  hangUpAfterLastAnswer(fastify);
  await app.register(helmet, {
    contentSecurityPolicy: false,
    // Only where this process speaks TLS itself: a proxy in front says it for its own name.
    strictTransportSecurity:
      tls === null ? false : { maxAge: HSTS_SECONDS, includeSubDomains: false },
  });
  app.useGlobalFilters(new ProblemFilter(gateway.parts.log, siteView(gateway.parts.site)));
  await app.init();
  await fastify.ready();
  return app;
}

/** Nest knows only the scheme that it was told itself. */
function urlOf(url: string, { tls }: Settings): string {
  return tls === null ? url : url.replace(/^http:/, 'https:');
}

/** An address that cannot be had is a setting to correct; the caller closes the application. */
async function listenOn(app: NestFastifyApplication, { host, port }: Settings): Promise<void> {
  try {
    await app.listen(port, host);
  } catch (error) {
    const code = error instanceof Error && 'code' in error ? String(error.code) : '';
    const reason = UNUSABLE_ADDRESS[code];
    if (reason === undefined) throw error;
    const found = `DRUMLINE_HOST ${host}, DRUMLINE_PORT ${port}: ${reason} (${code})`;
    throw new Misconfigured('configuration-invalid', { found, cause: error });
  }
}

const UNUSABLE_ADDRESS: Readonly<Record<string, string>> = {
  EADDRINUSE: 'another program listens there already',
  EADDRNOTAVAIL: 'this machine has no such address',
  EACCES: 'this user may not listen there',
  ENOTFOUND: 'no such host is known',
};

/** Of each server, also those of clients that never began to speak HTTP, or TLS: the server itself does not know them. */
const CONNECTIONS = new WeakMap<Server, ReadonlySet<Socket>>();

function rememberConnections(server: Server): void {
  const open = new Set<Socket>();
  CONNECTIONS.set(server, open);
  server.on('connection', (socket: Socket) => {
    open.add(socket);
    socket.once('close', () => open.delete(socket));
  });
}

/**
 * A client that keeps its connection for another request would hold up the close of the server it was answered by. The
 * connections that wait for a request are closed by the server itself.
 */
function hangUpAfterLastAnswer(fastify: FastifyInstance): void {
  let isClosing = false;
  fastify.addHook('preClose', async () => {
    isClosing = true;
  });
  fastify.addHook('onSend', async (_request, reply) => {
    if (isClosing) reply.header('connection', 'close');
  });
}

type Done = (error: Error | null, payload: unknown) => void;

/**
 * Lets requests end, then hangs up: a closing server no longer looks for slow ones, so a connection on which
 * nobody ever speaks would keep the process, and its data folder, for ever.
 */
async function closeHttp(app: NestFastifyApplication): Promise<void> {
  const { server } = app.getHttpAdapter().getInstance();
  const hangUp = setTimeout(() => {
    for (const socket of CONNECTIONS.get(server) ?? []) socket.destroy();
  }, CLOSING_MS_MAX);
  try {
    await app.close();
  } finally {
    clearTimeout(hangUp);
  }
}

function applicationOf(
  app: NestFastifyApplication,
  gateway: Gateway,
  control: Omit<Control, 'url'>,
): Application {
  const { token } = control;
  const { settings, log } = gateway.parts;
  let isListening = false;
  return {
    listen: async () => {
      await listenOn(app, settings);
      const url = urlOf(await app.getUrl(), settings);
      writeControl(settings.dataDirectory, { url, ...control });
      isListening = true;
      await gateway.recordStart('serve');
      log.info({ event: 'gateway.listening', url });
      return url;
    },
    inject: async ({ method, path, body, headers }) => {
      const response = await app.inject({
        method,
        url: path,
        headers: {
          ...headers,
          authorization: `Bearer ${token}`,
          ...(body ? { 'content-type': body.contentType } : {}),
        },
        ...(body ? { payload: Buffer.from(body.text) } : {}),
      });
      return {
        status: response.statusCode,
        text: response.payload,
        bytes: response.rawPayload,
        headers: Object.fromEntries(
          Object.entries(response.headers).map(([name, value]) => [name, String(value)]),
        ),
      };
    },
    close: async () => {
      if (isListening) removeControl(settings.dataDirectory);
      await closeHttp(app);
      await gateway.close();
    },
  };
}
