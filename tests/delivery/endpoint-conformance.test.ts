import * as files from 'node:fs/promises';
import { join } from 'node:path';
import { afterEach, describe, expect, it } from 'vitest';
import {
  ANSWER_BYTES_MAX,
  type AskResult,
  type Endpoint,
  type SendRequest,
  type SendResult,
} from '../../src/delivery/endpoint.js';
import { FileDropEndpoint, type FileOperations } from '../../src/delivery/file-drop.endpoint.js';
import { HttpEndpoint } from '../../src/delivery/http.endpoint.js';
import { temporaryDirectory } from '../support/temp-database.js';
import { type Act, Sink } from './sink.js';

/** What every kind of endpoint must do; each kind arranges the situation in its own way. */
type Situation =
  | 'proper'
  | 'refusal'
  | 'timeout after commit'
  | 'partial write'
  | 'wrong credentials'
  | 'slow drip'
  | 'endless body'
  | 'unreachable';

interface Arranged {
  readonly endpoint: Endpoint;
  /** Whole messages that the other side can see. */
  readonly visible: () => Promise<number>;
}

interface Kind {
  readonly name: string;
  readonly path: string;
  readonly arrange: (situation: Situation) => Promise<Arranged>;
  /** The read-back of what was sent under the same name. */
  readonly ask: (endpoint: Endpoint) => Promise<AskResult>;
  readonly isFound: (result: AskResult) => boolean;
  readonly isAbsent: (result: AskResult) => boolean;
}

const BODY = Buffer.from(JSON.stringify({ reference: 'D-1', text: 'x'.repeat(50_000) }));
const DEADLINE_MS = 250;
const closing: Endpoint[] = [];
afterEach(async () => {
  for (const endpoint of closing.splice(0)) await endpoint.close();
});

const ACTS: Partial<Record<Situation, Act>> = {
  refusal: { status: 400, words: 'lot unknown' },
  'timeout after commit': 'store-then-hang',
  'partial write': 'reset',
  'wrong credentials': { status: 401 },
  'slow drip': 'drip',
};

const http: Kind = {
  name: 'HTTP',
  path: 'messages',
  arrange: async (situation) => {
    const sink = await Sink.start();
    const act = ACTS[situation];
    if (act !== undefined) sink.onSend(act);
    if (situation === 'endless body') sink.onAsk('endless');
    const baseUrl = sink.url;
    if (situation === 'unreachable') await sink.close();
    const endpoint = new HttpEndpoint({
      config: { kind: 'http', baseUrl, allow: ['127.0.0.0/8'], bearer: null },
      connectionsMax: 4,
      connectTimeoutMs: DEADLINE_MS,
      bearer: () => 'secret',
    });
    return { endpoint, visible: () => Promise.resolve(sink.entries.length) };
  },
  ask: (endpoint) => endpoint.ask({ path: 'messages?reference=D-1', deadlineMs: DEADLINE_MS }),
  isFound: (result) => entriesOf(result) === 1,
  isAbsent: (result) => entriesOf(result) === 0,
};

function entriesOf(result: AskResult): number | null {
  if (result.kind !== 'answered') return null;
  const answer = JSON.parse(Buffer.from(result.body).toString()) as { entries: unknown[] };
  return answer.entries.length;
}

function never(): Promise<never> {
  return new Promise(() => {
    // Stands for a network share that hangs.
  });
}

function failure(code: string): Error {
  return Object.assign(new Error(`${code}: simulated`), { code });
}

/** The real operations, with one of them replaced as the situation wants it. */
function fileOperations(situation: Situation): FileOperations {
  const isTemporary = (path: unknown) => String(path).endsWith('.part');
  const open = (async (path: string, flags: number, mode?: number) => {
    if (situation === 'wrong credentials' && isTemporary(path)) throw failure('EACCES');
    if (situation === 'timeout after commit' && !isTemporary(path)) return await never();
    const file = await files.open(path, flags, mode);
    if (!isTemporary(path)) return file;
    if (situation === 'partial write') {
      file.writeFile = async () => {
        await file.write(BODY.subarray(0, 100));
        throw failure('ENOSPC');
      };
    }
    if (situation === 'slow drip') file.writeFile = never;
    return file;
  }) as FileOperations['open'];
  return { open, link: files.link, unlink: files.unlink, readdir: files.readdir };
}

const fileDrop: Kind = {
  name: 'file drop',
  path: 'D-1.json',
  arrange: async (situation) => {
    const directory = temporaryDirectory();
    const endpoint = new FileDropEndpoint({
      directory: situation === 'unreachable' ? join(directory, 'gone') : directory,
      files: fileOperations(situation),
    });
    if (situation === 'refusal') await files.writeFile(join(directory, 'D-1.json'), 'theirs');
    if (situation === 'endless body') {
      const large = await files.open(join(directory, 'D-1.json'), 'w');
      await large.truncate(1_073_741_824);
      await large.close();
    }
    const visible = async () => {
      const names = (await files.readdir(directory)).filter((n) => !n.startsWith('.'));
      const held = await Promise.all(names.map((n) => files.readFile(join(directory, n))));
      return held.filter((content) => content.equals(BODY)).length;
    };
    return { endpoint, visible };
  },
  ask: (endpoint) => endpoint.ask({ path: 'D-1.json', deadlineMs: DEADLINE_MS }),
  isFound: (result) => result.kind === 'held' && BODY.equals(result.content),
  isAbsent: (result) => result.kind === 'absent',
};

describe.each([http, fileDrop])('an endpoint by $name', (kind) => {
  async function send(
    situation: Situation,
    mayLeave: () => boolean = () => true,
  ): Promise<{ end: SendResult; request: SendRequest } & Arranged> {
    const arranged = await kind.arrange(situation);
    closing.push(arranged.endpoint);
    const request: SendRequest = {
      key: 'D-1.1',
      method: 'POST',
      path: kind.path,
      contentType: 'application/json',
      body: BODY,
      deadlineMs: DEADLINE_MS,
      mayLeave,
    };
    return { ...arranged, request, end: await arranged.endpoint.send(request) };
  }

  it('delivers whole and finds it again', async () => {
    const { end, visible, endpoint } = await send('proper');
    expect(['answered', 'stored']).toContain(end.kind);
    expect(await visible()).toBe(1);
    expect(kind.isFound(await kind.ask(endpoint))).toBe(true);
  });

  it('says that nothing is held before anything was sent', async () => {
    const { endpoint } = await kind.arrange('proper');
    closing.push(endpoint);
    expect(kind.isAbsent(await kind.ask(endpoint))).toBe(true);
  });

  it('reports a refusal as one, and nothing became visible', async () => {
    const { end, visible } = await send('refusal');
    if (end.kind === 'answered') expect(end.status).toBe(400);
    else expect(end.kind).toBe('conflict');
    expect(await visible()).toBe(0);
  });

  it('is in doubt when the other side took it and never said so', async () => {
    const { end, visible } = await send('timeout after commit');
    expect(end.kind).toBe('broken');
    expect(await visible()).toBe(1);
  });

  it('shows no part of a message whose writing broke off', async () => {
    const { end, visible } = await send('partial write');
    expect(['broken', 'unreached']).toContain(end.kind);
    expect(await visible()).toBe(0);
  });

  it('tells wrong credentials from a refusal', async () => {
    const { end, visible } = await send('wrong credentials');
    if (end.kind === 'answered') expect(end.status).toBe(401);
    else expect(end.kind).toBe('denied');
    expect(await visible()).toBe(0);
  });

  it('gives up at its one deadline however slowly the other side goes on', async () => {
    const started = performance.now();
    const { end } = await send('slow drip');
    expect(end.kind).toBe('broken');
    expect(performance.now() - started).toBeLessThan(DEADLINE_MS * 4);
  });

  it('knows that nothing left when the other side cannot be reached', async () => {
    const { end, endpoint } = await send('unreachable');
    expect(end.kind).toBe('unreached');
    const asked = await kind.ask(endpoint);
    expect(['unavailable', 'absent']).toContain(asked.kind);
  });

  it('lets nothing out once it may not leave any more, says so, and is of use for the next', async () => {
    let isAsked = 0;
    const held = await send('proper', () => {
      isAsked += 1;
      return false;
    });
    expect(held.end.kind).toBe('postponed');
    expect(isAsked).toBe(1);
    expect(await held.visible()).toBe(0);
    expect(kind.isAbsent(await kind.ask(held.endpoint))).toBe(true);
    const next = await held.endpoint.send({ ...held.request, mayLeave: () => true });
    expect(['answered', 'stored']).toContain(next.kind);
    expect(await held.visible()).toBe(1);
  });

  it('reads no more of an endless body than it has to', async () => {
    const { endpoint } = await kind.arrange('endless body');
    closing.push(endpoint);
    const result = await kind.ask(endpoint);
    if (result.kind === 'answered') {
      expect(result.isCut).toBe(true);
      expect(result.body.length).toBe(ANSWER_BYTES_MAX);
    } else {
      expect(result.kind).toBe('unavailable');
    }
  });
});
