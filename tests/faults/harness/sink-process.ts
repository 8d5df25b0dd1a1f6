import { join } from 'node:path';
import { setTimeout as wait } from 'node:timers/promises';
import { request } from 'undici';
import type { BooksDocument } from '../../../src/simulation/books.js';
import type { FieldTable } from '../../../src/simulation/held-fields.js';
import type { SinkKind } from '../../../src/simulation/judge.js';
import type { Misbehaviour } from '../../../src/simulation/misbehaviour.js';
import { ERP_FIELDS, LIMS_FIELDS } from '../../../src/simulation/northquay-fields.js';
import { freePort } from '../../support/free-port.js';
import { repositoryRoot } from '../../support/shared.js';
import { ManagedProcess } from './managed-process.js';
import type { SinkName } from './schedule.js';

export const SINK_KINDS: Readonly<Record<SinkName, SinkKind>> = {
  erp: 'honours',
  lims: 'askable',
  archive: 'neither',
};

export const SINK_FIELDS: Readonly<Record<SinkName, FieldTable>> = {
  erp: ERP_FIELDS,
  lims: LIMS_FIELDS,
  archive: LIMS_FIELDS,
};

const STAND_INS: Readonly<Record<SinkName, string>> = {
  erp: 'erp',
  lims: 'lims',
  archive: 'neither',
};

const TOKEN = 'simulated';
const PROCESSING_MS = '20';
/** Short, so that stock is issued before a run ends; the rounds are not, since each asks for every receipt. */
const HOLDING_MS = '300';
const ROUND_MS = '1500';
const DEADLINE_MS = 5000;

/** A stand-in destination as a process with a journal: it may be killed, and its books outlive it. */
export class SinkProcess {
  private constructor(
    readonly name: SinkName,
    readonly url: string,
    readonly process: ManagedProcess,
  ) {}

  static async start(name: SinkName, directory: string): Promise<SinkProcess> {
    const port = await freePort();
    const managed = new ManagedProcess({
      name: `sink ${name}`,
      args: [
        join(repositoryRoot(), 'dist/simulation/stand-in.process.js'),
        ...['--kind', STAND_INS[name], '--port', String(port), '--token', TOKEN],
        ...['--journal', join(directory, `${name}.jsonl`), '--processing-ms', PROCESSING_MS],
        ...['--holding-ms', HOLDING_MS, '--round-ms', ROUND_MS],
      ],
      environment: process.env,
      readyEvent: 'listening',
      logFile: join(directory, `sink-${name}.log`),
      hasChannel: false,
    });
    await managed.start();
    return new SinkProcess(name, `http://127.0.0.1:${port}`, managed);
  }

  /** What a gateway has to know of it. */
  get environment(): NodeJS.ProcessEnv {
    const prefix = `NORTHQUAY_${this.name.toUpperCase()}`;
    return { [`${prefix}_URL`]: this.url, [`${prefix}_TOKEN`]: TOKEN };
  }

  async books(): Promise<BooksDocument> {
    return JSON.parse(await this.#ask('GET', '/books')) as BooksDocument;
  }

  /** How many requests met an imposed misbehaviour, by kind, since it started. */
  async misdeeds(): Promise<Readonly<Record<string, number>>> {
    return JSON.parse(await this.#ask('GET', '/misdeeds')) as Record<string, number>;
  }

  async impose(act: Misbehaviour | null, every: number): Promise<void> {
    const body = JSON.stringify(act === null ? null : { act, every });
    await this.#untilAsked('PUT', '/misbehaviour', body);
  }

  /** Tells the stand-in ERP where to ask for statements. */
  async setGateway(gateway: { readonly url: string; readonly key: string }): Promise<void> {
    await this.#untilAsked('PUT', '/gateway', JSON.stringify(gateway));
  }

  /** It may have been killed a moment ago. */
  async #untilAsked(method: 'PUT', path: string, body: string): Promise<void> {
    for (let attempt = 1; ; attempt += 1) {
      try {
        await this.#ask(method, path, body);
        return;
      } catch (error) {
        if (attempt === 50) throw error;
        await wait(100);
      }
    }
  }

  async #ask(method: 'GET' | 'PUT', path: string, body?: string): Promise<string> {
    const answer = await request(new URL(path, this.url), {
      method,
      headers: { authorization: `Bearer ${TOKEN}` },
      body: body ?? null,
      signal: AbortSignal.timeout(DEADLINE_MS),
    });
    const text = await answer.body.text();
    if (answer.statusCode >= 300) throw new Error(`${this.name} answered ${answer.statusCode}`);
    return text;
  }
}
