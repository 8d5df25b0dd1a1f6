import { randomUUID } from 'node:crypto';
import { constants } from 'node:fs';
import * as nodeFiles from 'node:fs/promises';
import { join } from 'node:path';
import { step } from '../step.js';
import {
  type AskRequest,
  type AskResult,
  type Endpoint,
  NOT_LEFT,
  type SendRequest,
  type SendResult,
} from './endpoint.js';

/** Names that are one plain file on every system; a mapping's path template has to make such a name. */
const FILE_NAME = /^[A-Za-z0-9_][A-Za-z0-9._%-]{0,199}$/;
/** Larger files under our name are not ours: payloads are far smaller. */
const HELD_BYTES_MAX = 8_388_608;
/** Ours alone, and new for every attempt: an older one may be a second name of a file that is visible. */
const TEMPORARY = /^\.drumline-[0-9a-f-]{36}\.part$/;
const DENIED: ReadonlySet<string> = new Set(['EACCES', 'EPERM', 'EROFS']);

export type FileOperations = Pick<typeof nodeFiles, 'open' | 'link' | 'unlink' | 'readdir'>;

export interface FileDropOptions {
  readonly directory: string;
  /** Replaced where a test lets an operation fail or hang. */
  readonly files?: FileOperations;
}

/**
 * A destination that takes files from a folder. The file appears whole or not at all: it is written under a
 * temporary name in the same folder, flushed, and linked to its name, which fails when the name is taken.
 * An equal file under the name means that an earlier attempt arrived; other content is a key conflict.
 */
export class FileDropEndpoint implements Endpoint {
  readonly #directory: string;
  readonly #files: FileOperations;
  #hasSwept = false;

  constructor(options: FileDropOptions) {
    this.#directory = options.directory;
    this.#files = options.files ?? nodeFiles;
  }

  async send(request: SendRequest): Promise<SendResult> {
    if (!FILE_NAME.test(request.path)) {
      return { kind: 'unreached', detail: `not a plain file name: ${request.path.slice(0, 200)}` };
    }
    const progress = { isVisible: false };
    const work = this.#place(request, progress, performance.now() + request.deadlineMs);
    return await within(request.deadlineMs, work, () =>
      // What is being linked at this moment may yet appear.
      ({ kind: 'broken', detail: `not finished within ${request.deadlineMs} ms` }),
    );
  }

  async ask(request: AskRequest): Promise<AskResult> {
    if (!FILE_NAME.test(request.path)) {
      return {
        kind: 'unavailable',
        detail: `not a plain file name: ${request.path.slice(0, 200)}`,
      };
    }
    const work = this.#read(request.path).then(
      (content): AskResult => ({ kind: 'held', content }),
      (error: unknown): AskResult =>
        codeOf(error) === 'ENOENT'
          ? { kind: 'absent' }
          : { kind: 'unavailable', detail: wordsOf(error) },
    );
    return await within(request.deadlineMs, work, () => ({
      kind: 'unavailable',
      detail: `not read within ${request.deadlineMs} ms`,
    }));
  }

  close(): Promise<void> {
    return Promise.resolve();
  }

  async #place(
    request: SendRequest,
    progress: { isVisible: boolean },
    endsAtMs: number,
  ): Promise<SendResult> {
    const target = join(this.#directory, request.path);
    const temporary = join(this.#directory, `.drumline-${randomUUID()}.part`);
    try {
      await this.#sweepOnce();
      await this.#write(temporary, request.body);
      // By then it is taken for lost, and an absence counts.
      if (performance.now() >= endsAtMs) {
        return { kind: 'unreached', detail: `not written within ${request.deadlineMs} ms` };
      }
      if (!request.mayLeave()) return NOT_LEFT;
      const existed = await this.#link(temporary, target, request);
      if (typeof existed !== 'boolean') return existed;
      progress.isVisible = true;
      await this.#syncDirectory();
      step('S12');
      return { kind: 'stored', reference: request.path, existed };
    } catch (error) {
      if (progress.isVisible) return { kind: 'broken', detail: wordsOf(error) };
      const kind = DENIED.has(codeOf(error)) ? 'denied' : 'unreached';
      return { kind, detail: wordsOf(error) };
    } finally {
      await this.#files.unlink(temporary).catch(() => {
        // Nothing depends on it: the next start sweeps what is left.
      });
    }
  }

  /** Removes what a process that died left under temporary names. */
  async #sweepOnce(): Promise<void> {
    if (this.#hasSwept) return;
    const names = await this.#files.readdir(this.#directory);
    for (const name of names.filter((n) => TEMPORARY.test(n))) {
      await this.#files.unlink(join(this.#directory, name));
    }
    this.#hasSwept = true;
  }

  async #write(path: string, body: Uint8Array): Promise<void> {
    const { O_WRONLY, O_CREAT, O_EXCL } = constants;
    const file = await this.#files.open(path, O_WRONLY | O_CREAT | O_EXCL, 0o640);
    try {
      step('S10');
      await file.writeFile(body);
      await file.sync();
      step('S11');
    } finally {
      await file.close();
    }
  }

  /** True when an equal file was there already, false when this call made it visible. */
  async #link(
    temporary: string,
    target: string,
    request: SendRequest,
  ): Promise<boolean | Extract<SendResult, { kind: 'conflict' }>> {
    try {
      await this.#files.link(temporary, target);
      return false;
    } catch (error) {
      if (codeOf(error) !== 'EEXIST') throw error;
    }
    const held = await this.#read(request.path);
    if (Buffer.compare(held, request.body) === 0) return true;
    return { kind: 'conflict', detail: `${request.path} is there with other content` };
  }

  async #syncDirectory(): Promise<void> {
    const folder = await this.#files.open(this.#directory, constants.O_RDONLY);
    try {
      await folder.sync();
    } finally {
      await folder.close();
    }
  }

  async #read(name: string): Promise<Uint8Array> {
    const { O_RDONLY, O_NOFOLLOW, O_NONBLOCK } = constants;
    const file = await this.#files.open(
      join(this.#directory, name),
      O_RDONLY | O_NOFOLLOW | O_NONBLOCK,
    );
    try {
      const facts = await file.stat();
      if (!facts.isFile()) throw new Error(`${name} is not a plain file`);
      if (facts.size > HELD_BYTES_MAX) {
        throw new Error(`${name} has ${facts.size} bytes, expected at most ${HELD_BYTES_MAX}`);
      }
      return await file.readFile();
    } finally {
      await file.close();
    }
  }
}

async function within<T>(deadlineMs: number, work: Promise<T>, late: () => T): Promise<T> {
  let timer: NodeJS.Timeout | undefined;
  const deadline = new Promise<T>((resolve) => {
    timer = setTimeout(() => resolve(late()), deadlineMs);
  });
  try {
    return await Promise.race([work, deadline]);
  } finally {
    clearTimeout(timer);
  }
}

function codeOf(error: unknown): string {
  const code = (error as { code?: unknown } | null)?.code;
  return typeof code === 'string' ? code : '';
}

function wordsOf(error: unknown): string {
  return error instanceof Error ? error.message : String(error);
}
