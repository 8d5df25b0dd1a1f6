import { uuidv7 } from 'uuidv7';
import { type Actor, recordAudit } from '../audit/audit.store.js';
import { canonicalDigest, sha256 } from '../formats/canonical-json.js';
import { formatInstant } from '../formats/instant.js';
import { insertRawBytes, loadRawBytes } from '../intake/bundles.store.js';
import { describeInboundFault } from '../mapping/inbound-lines.js';
import type { InboundRequest } from '../mapping/inbound-map.service.js';
import type { InboundMappings, ReadByRevision } from '../mapping/inbound-mappings.service.js';
import { lockReceipts } from '../receipts/facts.store.js';
import { keepRequest, requestUnderKey } from '../receipts/lineage.store.js';
import type { ReceiptChangesService } from '../receipts/receipt-changes.service.js';
import { makeChange } from '../receipts/receipt-requests.service.js';
import type { By } from '../receipts/receipt-revision.service.js';
import type { ReceiptsService } from '../receipts/receipts.service.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import {
  findInboundDocument,
  insertInboundDocument,
  insertInboundLine,
  latestSequence,
  linesOfDocument,
  lockSource,
  wasSaid,
} from './inbound.store.js';

/** A document of a source, as it came. */
export interface IncomingDocument {
  readonly source: string;
  readonly bytes: Uint8Array;
  readonly contentType: string;
  readonly actor: Actor;
  readonly key: string;
  /** The document has to speak of this receipt and no other; null where it may speak of any. */
  readonly receiptId: string | null;
}

/** What one receipt line of a document did. */
export interface InboundDone {
  readonly receiptId: string;
  readonly place: string;
  readonly change: string;
  /** `overtaken`: the source had said something later before, so nothing was done. */
  readonly outcome: string;
  readonly revision: number | null;
  readonly keptBack: readonly string[];
}

export interface InboundTaken {
  readonly documentId: string;
  readonly sha256: string;
  readonly mapping: string;
  readonly lines: readonly InboundDone[];
}

export type InboundAnswer =
  | { readonly kind: 'taken'; readonly body: InboundTaken }
  | {
      readonly kind: 'refused';
      readonly documentId: string;
      readonly sha256: string;
      readonly faults: readonly string[];
    }
  | { readonly kind: 'source-unknown' }
  | { readonly kind: 'key-reused' };

/** `stale`: another revision of the mapping came in force meanwhile. */
type Tried = InboundAnswer | { readonly kind: 'stale' };

export interface InboundOptions {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: Pick<SiteFolder, 'site' | 'timeZone'>;
  readonly mappings: InboundMappings;
  readonly receipts: ReceiptsService;
  readonly changes: ReceiptChangesService;
}

/** Ends the transaction in which some lines were done already. */
class NotTaken extends Error {
  constructor(readonly faults: readonly string[]) {
    super(faults[0] ?? 'refused');
  }
}

/** A document and its mapping, on the way into the store. */
interface Intake extends IncomingDocument {
  readonly documentId: string;
  readonly sha256: string;
  readonly digest: string;
}

/**
 * Takes documents in which a source says what should have arrived or what became of it. All lines of a document are
 * done or none; its bytes are kept either way, with the revision of the mapping that read them.
 */
export class InboundService {
  constructor(private readonly options: InboundOptions) {}

  async take(incoming: IncomingDocument): Promise<InboundAnswer> {
    for (;;) {
      const answer = await this.#try(incoming);
      if (answer.kind !== 'stale') return answer;
    }
  }

  async #try(incoming: IncomingDocument): Promise<Tried> {
    const read = await this.options.mappings.read(incoming.source, incoming.bytes);
    if (read === null) return { kind: 'source-unknown' };
    const intake: Intake = {
      ...incoming,
      documentId: uuidv7(),
      sha256: sha256(incoming.bytes),
      digest: read.digest,
    };
    const faults = faultsOf(read, incoming.receiptId);
    if (faults.length > 0 || !read.mapped.ok) return this.#refuse(intake, faults);
    const { requests } = read.mapped;
    try {
      return await this.options.database.transact((trx) => this.#once(trx, intake, requests));
    } catch (error) {
      if (error instanceof NotTaken) return this.#refuse(intake, error.faults);
      throw error;
    }
  }

  /** The document with what became of it; null when the source sent no such one. */
  async show(source: string, id: string): Promise<Readonly<Record<string, unknown>> | null> {
    const { database, site } = this.options;
    const row = await findInboundDocument(database.db, site.site, { source, id });
    if (!row) return null;
    const lines = await linesOfDocument(database.db, id);
    return {
      documentId: row.id,
      source,
      sha256: row.raw_sha256,
      contentType: row.content_type,
      mapping: row.mapping_digest,
      outcome: row.outcome,
      at: formatInstant(row.at),
      by: row.caller,
      faults: row.faults === null ? [] : (JSON.parse(row.faults) as unknown),
      lines: lines.map((line) => ({
        receiptId: line.receipt_id,
        place: line.place,
        change: line.change,
        outcome: line.outcome,
        revision: line.revision,
      })),
    };
  }

  /** The bytes as they came; null when the source sent no such document. */
  async bytes(source: string, id: string): Promise<Uint8Array | null> {
    const { database, site } = this.options;
    const row = await findInboundDocument(database.db, site.site, { source, id });
    return row ? ((await loadRawBytes(database.db, row.raw_sha256)) ?? null) : null;
  }

  /** The first answer again for the same bytes under the same key. Only what was taken is kept under it. */
  async #once(trx: Trx, intake: Intake, requests: readonly InboundRequest[]): Promise<Tried> {
    const caller = callerOf(intake.actor);
    const { source, receiptId, sha256: sent } = intake;
    const { site } = this.options.site;
    if (!(await lockSource(trx, { site, source, digest: intake.digest }))) return { kind: 'stale' };
    const digest = canonicalDigest(['inbound', source, receiptId, sent]);
    const held = await requestUnderKey(trx, caller, intake.key);
    if (held !== null) {
      if (held.request_sha256 !== digest) return { kind: 'key-reused' };
      return { kind: 'taken', body: JSON.parse(held.answer) as InboundTaken };
    }
    const lines = await this.#apply(trx, intake, requests);
    const { documentId, digest: mapping } = intake;
    const body: InboundTaken = { documentId, sha256: sent, mapping, lines };
    const at = this.options.clock.now();
    const row = {
      caller,
      key: intake.key,
      request_sha256: digest,
      answer: JSON.stringify(body),
      at,
    };
    if (await keepRequest(trx, row)) return { kind: 'taken', body };
    throw new Error('another document under the same key came first; send it again');
  }

  async #apply(
    trx: Trx,
    intake: Intake,
    requests: readonly InboundRequest[],
  ): Promise<InboundDone[]> {
    const { site } = this.options.site;
    await lockReceipts(
      trx,
      site,
      requests.map((request) => request.receiptId),
    );
    const done: InboundDone[] = [];
    for (const [position, request] of requests.entries()) {
      const line = await this.#do(trx, intake, request);
      done.push(line);
      // Before the next one is done: lines of one document about one receipt may come in any order too.
      await insertInboundLine(trx, {
        document_id: intake.documentId,
        position,
        site,
        source: intake.source,
        receipt_id: line.receiptId,
        place: line.place,
        change: line.change,
        sequence: paddedSequence(request),
        body_sha256: bodyDigest(request),
        outcome: line.outcome,
        revision: line.revision,
      });
    }
    await this.#store(trx, intake, null);
    return done;
  }

  async #do(trx: Trx, intake: Intake, request: InboundRequest): Promise<InboundDone> {
    const { receiptId, place, change, asked } = request;
    const nothing = { receiptId, place, change, revision: null, keptBack: [] };
    const said = await this.#saidBefore(trx, intake, request);
    if (said !== null) return { ...nothing, outcome: said };
    const { receipts, changes, clock } = this.options;
    const how = `${intake.source}, document ${intake.documentId}`;
    const now = clock.now();
    if (asked.kind === 'line') {
      const { actor } = intake;
      const announced = await receipts.announce(trx, [asked.line], actor, now, how);
      if (!announced.ok) {
        throw new NotTaken(
          announced.faults.map((f) => `${place}: ${f.message} (${f.rule}). ${f.remedy}`),
        );
      }
      const [line] = announced.lines;
      if (line === undefined)
        throw new Error(`receipt ${receiptId} was announced without an answer`);
      const { outcome, revision, keptBack } = line;
      return { receiptId, place, change, outcome, revision, keptBack };
    }
    const by: By = { actor: intake.actor, now, source: `${asked.body.reason} (${how})` };
    const changed = await makeChange(changes, trx, receiptId, asked.body, by);
    if (!changed.ok) throw new NotTaken([`${place}: ${changed.detail} (${changed.code})`]);
    const after = changed.receipts.find((receipt) => receipt.receiptId === receiptId);
    return { ...nothing, outcome: 'changed', revision: after?.revision ?? null };
  }

  /** News that is older than what the source said before changes nothing; two of the same number are a fault. */
  async #saidBefore(
    trx: Trx,
    intake: Intake,
    request: InboundRequest,
  ): Promise<'overtaken' | 'unchanged' | null> {
    const sequence = paddedSequence(request);
    if (sequence === null) return null;
    const { receiptId, place } = request;
    const of = { site: this.options.site.site, source: intake.source, receiptId };
    const latest = await latestSequence(trx, of);
    if (latest === null || latest < sequence) return null;
    if (latest > sequence) return 'overtaken';
    if (await wasSaid(trx, { ...of, sequence, digest: bodyDigest(request) })) return 'unchanged';
    throw new NotTaken([
      `${place}: number ${request.sequence} was used for something else about receipt ${receiptId} (sequence-used). Count up with every change.`,
    ]);
  }

  async #refuse(intake: Intake, faults: readonly string[]): Promise<InboundAnswer> {
    await this.options.database.transact((trx) => this.#store(trx, intake, faults));
    const { documentId, sha256: sent } = intake;
    return { kind: 'refused', documentId, sha256: sent, faults };
  }

  async #store(trx: Trx, intake: Intake, faults: readonly string[] | null): Promise<void> {
    const { site, timeZone } = this.options.site;
    const at = this.options.clock.now();
    const outcome = faults === null ? 'taken' : 'refused';
    await insertRawBytes(trx, intake.sha256, intake.bytes);
    await insertInboundDocument(trx, {
      id: intake.documentId,
      site,
      source: intake.source,
      mapping_digest: intake.digest,
      raw_sha256: intake.sha256,
      content_type: intake.contentType,
      caller: callerOf(intake.actor),
      outcome,
      faults: faults === null ? null : JSON.stringify(faults),
      at,
    });
    await recordAudit(trx, {
      site,
      zone: timeZone,
      at,
      actor: intake.actor,
      action: `inbound.${outcome}`,
      subjectKind: 'inbound',
      subjectId: intake.documentId,
      reason: faults === null ? `from ${intake.source}` : (faults[0] ?? '').slice(0, 500),
      after: { source: intake.source, sha256: intake.sha256, mapping: intake.digest },
    });
  }
}

function callerOf(actor: Actor): string {
  return `${actor.kind}:${actor.name}`;
}

function bodyDigest({ change, body }: InboundRequest): string {
  return canonicalDigest([change, body]);
}

const SEQUENCE_DIGITS = 18;

function paddedSequence({ sequence }: InboundRequest): string | null {
  return sequence === null ? null : sequence.padStart(SEQUENCE_DIGITS, '0');
}

function faultsOf({ mapped }: ReadByRevision, receiptId: string | null): string[] {
  if (!mapped.ok) return mapped.faults.map(describeInboundFault);
  if (receiptId === null) return [];
  return mapped.requests
    .filter((request) => request.receiptId !== receiptId || mapped.requests.length > 1)
    .map(
      (request) =>
        `${request.place}: found receipt "${request.receiptId}", expected "${receiptId}" and no other (other-receipt). Send it to the address of the source.`,
    );
}
