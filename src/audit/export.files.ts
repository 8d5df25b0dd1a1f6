import { once } from 'node:events';
import { createReadStream, createWriteStream } from 'node:fs';
import { open } from 'node:fs/promises';
import { type Instant, parseTimestamp } from '../formats/instant.js';
import type { Signature } from '../signatures/signature.js';
import {
  namedSignature,
  type SignatureReport,
  SignatureVerifier,
} from '../signatures/verify-signatures.js';
import type { SignedCheckpoint } from './checkpoint.js';
import type { SealedEntry, TrailEntry } from './trail-entry.js';
import {
  checkpointLine,
  endLine,
  entryLine,
  headingLine,
  LINE_BYTES_MAX,
  readExportLine,
  signatureLine,
  unsealedLine,
} from './trail-export.js';
import { type Comparing, Judging, type TrailReading } from './verification.service.js';
import type { TrailEnd, TrailReport } from './verify-trail.js';

/** Writes a trail to a new file, line by line, and flushes it. */
export class ExportFile implements TrailReading {
  entries = 0;
  checkpoints = 0;
  signatures = 0;
  #text = '';

  private constructor(
    private readonly stream: ReturnType<typeof createWriteStream>,
    private readonly path: string,
  ) {}

  /** @throws what the file system says; a file that is there is never replaced */
  static async create(path: string, site: string, exportedAt: string): Promise<ExportFile> {
    const stream = createWriteStream(path, { flags: 'wx', mode: 0o600 });
    await once(stream, 'open');
    const file = new ExportFile(stream, path);
    file.#text = headingLine(site, exportedAt);
    return file;
  }

  entry(sealed: SealedEntry): void {
    this.entries += 1;
    this.#text += entryLine(sealed);
  }

  checkpoint(signed: SignedCheckpoint): void {
    this.checkpoints += 1;
    this.#text += checkpointLine(signed);
  }

  unreadable(text: string): void {
    // The export says what the verification would: nothing is left out in silence.
    this.#text += `${JSON.stringify({ kind: 'unreadable', text })}\n`;
  }

  unsealed(entry: TrailEntry, waitedMs: number): void {
    this.#text += unsealedLine(entry, waitedMs);
  }

  signature(signature: Signature): void {
    this.signatures += 1;
    this.#text += signatureLine(signature);
  }

  async pause(): Promise<void> {
    const text = this.#text;
    this.#text = '';
    if (text !== '' && !this.stream.write(text)) await once(this.stream, 'drain');
  }

  async close(end: TrailEnd | null): Promise<void> {
    if (end !== null) this.#text += endLine(end);
    await this.pause();
    this.stream.end();
    await once(this.stream, 'close');
    const file = await open(this.path, 'r');
    try {
      await file.sync();
    } finally {
      await file.close();
    }
  }
}

/** What an export shows of its trail and of the signatures its entries name. */
export interface ExportReport {
  readonly trail: TrailReport;
  readonly signatures: SignatureReport;
}

/** Judges an export; a file without its end is a trail that was cut. */
export async function verifyExport(path: string, comparing: Comparing): Promise<ExportReport> {
  let judging: Judging | null = null;
  const signatures = new SignatureVerifier();
  let end: TrailEnd | null = null;
  for await (const line of linesOf(path)) {
    const read = readExportLine(line);
    if (judging === null) {
      judging = new Judging(read.kind === 'trail' ? read.site : '', comparing);
      if (read.kind === 'trail') continue;
      judging.unreadable('the first line is not the heading of an export');
    }
    if (end !== null) judging.unreadable('there is more behind the end');
    switch (read.kind) {
      case 'entry':
        judging.entry(read.sealed);
        nameSignature(signatures, read.sealed.entry);
        break;
      case 'checkpoint':
        judging.checkpoint(read.signed);
        break;
      case 'unsealed':
        judging.unsealed(read.entry, read.waitedMs);
        nameSignature(signatures, read.entry);
        break;
      case 'signature':
        signatures.signature(read.signature);
        break;
      case 'end':
        end = read.end;
        break;
      case 'trail':
        judging.unreadable('a second heading');
        break;
      case 'unreadable':
        judging.unreadable(read.why);
    }
  }
  judging ??= new Judging('', comparing);
  if (end === null) judging.unreadable('the file ends before its end: it was cut');
  return { trail: judging.report(end), signatures: signatures.report() };
}

/** An entry of a signed act, as the store would give it. */
function nameSignature(signatures: SignatureVerifier, entry: TrailEntry): void {
  const named = entry.actorKind === 'person' ? namedSignature(entry.after) : null;
  if (named === null) return;
  signatures.entry({
    entryId: entry.id,
    at: parseTimestamp(entry.at)?.instant ?? (0 as Instant),
    actor: entry.actor,
    subjectKind: entry.subjectKind,
    subjectId: entry.subjectId,
    signatureId: named.id,
    signatureDigest: named.digest,
  });
}

const NEWLINE = 0x0a;

/** Lines as bytes; one that is longer than any of ours ends the reading as it is. */
async function* linesOf(path: string): AsyncGenerator<Buffer> {
  let held: Buffer[] = [];
  let size = 0;
  for await (const chunk of createReadStream(path) as AsyncIterable<Buffer>) {
    let from = 0;
    for (let at = chunk.indexOf(NEWLINE); at >= 0; at = chunk.indexOf(NEWLINE, from)) {
      held.push(chunk.subarray(from, at));
      yield Buffer.concat(held);
      held = [];
      size = 0;
      from = at + 1;
    }
    held.push(chunk.subarray(from));
    size += chunk.length - from;
    if (size > LINE_BYTES_MAX) break;
  }
  if (size > 0) yield Buffer.concat(held);
}
