import type { PayloadTree } from '../mapping/payload-tree.js';
import { fillRequestPath } from '../mapping/request-path.js';
import { subjectPlaces } from '../mapping/source-rules.js';
import type { MappingDocument } from '../site/mapping-document.js';
import type { Destination } from '../site/site-folder.js';
import type { DeliveryRow } from '../storage/tables.js';
import type { Tree } from './answer-tree.js';
import { messageName } from './delivery-mapping.js';
import type { DeliveryParts } from './delivery-parts.service.js';
import type { AskResult } from './endpoint.js';
import { answerInWords, leavesWithoutSecrets, withoutSecrets } from './kept-words.js';
import {
  compareHeld,
  type ReadBackAnswer,
  type ReadBackOf,
  readAnswer,
} from './read-back-answer.js';
import { answerText } from './sender.service.js';

/** An answer to "do you have it?", with what was said. */
export interface Asked {
  readonly answer: ReadBackAnswer;
  readonly status: number | null;
  readonly text: string | null;
}

/** Largest page of a list that is read. */
const PAGE_BYTES_MAX = 8_388_608;

/** Asks destinations and compares what they hold; writes nothing. */
export class Looking {
  readonly #parts: DeliveryParts;

  constructor(parts: DeliveryParts) {
    this.#parts = parts;
  }

  /** Asks whether one delivery is there, by the mapping it was built with. */
  async question(row: DeliveryRow, document: MappingDocument): Promise<Asked> {
    const destination = this.#parts.destination(row.destination);
    const payload =
      row.payload_sha256 === null
        ? { bytes: new Uint8Array(), tree: null }
        : await this.#parts.payloads.read(row.payload_sha256, document.format);
    const readBack = readBackOf(row, document);
    const path =
      destination.endpoint.kind === 'file-drop'
        ? sentPath(row)
        : readBackPath(row, readBack?.request.path ?? '', payload.tree);
    if (path === null) {
      const detail = 'the read-back path of the mapping cannot be filled from the payload';
      return { answer: { kind: 'unavailable', detail }, status: null, text: null };
    }
    const { deadlineMs } = destination.timing;
    const result = await this.#parts.endpoint(destination).ask({ path, deadlineMs });
    const kept = withoutSecrets(result, this.#parts.options.secrets.mask);
    const read = (of: AskResult) => readAnswer(of, readBack, document.format, payload);
    return {
      answer: answerInWords(read(result), kept === result ? null : read(kept)),
      status: result.kind === 'answered' ? result.status : null,
      text: textOf(kept),
    };
  }

  /** As `question`, for whoever does not have the mapping at hand. */
  async ask(row: DeliveryRow): Promise<ReadBackAnswer> {
    const { document } = await this.#parts.options.mapping.forDigest(row.mapping_digest);
    return (await this.question(row, document)).answer;
  }

  /** Compares a message as a list shows it with what was sent; null when nothing was ever built. */
  async compare(row: DeliveryRow, item: Tree): Promise<ReadBackAnswer | null> {
    if (row.payload_sha256 === null) return null;
    const { document } = await this.#parts.options.mapping.forDigest(row.mapping_digest);
    const readBack = readBackOf(row, document);
    const { tree } = await this.#parts.payloads.read(row.payload_sha256, document.format);
    if (readBack === null || tree === null) return null;
    const kept = this.kept(item);
    const compare = (of: Tree) => compareHeld([of], tree, readBack);
    return answerInWords(compare(item), kept === item ? null : compare(kept));
  }

  /**
   * As `compare`, but for the fields that carry our reference: the same message of another delivery is equal.
   *
   * @param item as it was kept: where a secret in use also stands in the message, both are compared without it
   */
  async compareContent(row: DeliveryRow, item: Tree): Promise<ReadBackAnswer | null> {
    if (row.payload_sha256 === null) return null;
    const { document } = await this.#parts.options.mapping.forDigest(row.mapping_digest);
    const message = document.messages[messageName(row)];
    const asked = readBackOf(row, document);
    const { tree } = await this.#parts.payloads.read(row.payload_sha256, document.format);
    if (message === undefined || asked === null || tree === null) return null;
    const ours = new Set(message.fields.filter((f) => f.from === 'reference').map((f) => f.to));
    const compare = asked.compare.filter((field) => !ours.has(field.sent));
    // With nothing else to go by, nothing is shown to be equal.
    if (compare.length === 0) return null;
    const readBack = { ...asked, compare };
    const judged = compareHeld([item], tree, readBack);
    const kept = this.kept(tree);
    return judged.kind === 'one' || kept === tree ? judged : compareHeld([item], kept, readBack);
  }

  /** Something a destination said, as it may be kept. */
  kept(tree: Tree): Tree {
    return leavesWithoutSecrets(tree, this.#parts.options.secrets.mask);
  }

  keptText(text: string): string {
    return this.#parts.options.secrets.mask(text);
  }

  /** What a destination says of itself, without our secrets: it is compared only with what it said before. */
  async description(destination: Destination, path: string): Promise<AskResult> {
    const result = await this.document(destination, path);
    return withoutSecrets(result, this.#parts.options.secrets.mask);
  }

  /**
   * One document of the destination, whatever it says: judged as it is, and kept by `kept` and `keptText` only. A
   * page of a list may be large.
   */
  async document(destination: Destination, path: string): Promise<AskResult> {
    const { deadlineMs } = destination.timing;
    const request = { path, deadlineMs, bytesMax: PAGE_BYTES_MAX };
    return await this.#parts.endpoint(destination).ask(request);
  }
}

function readBackOf(row: DeliveryRow, { messages }: MappingDocument): ReadBackOf | null {
  const name = messageName(row);
  const message = messages[name];
  if (!message?.readBack) return null;
  return { ...message.readBack, about: subjectPlaces(name, message) };
}

function sentPath(row: DeliveryRow): string | null {
  const { path } = JSON.parse(row.request ?? '{}') as { path?: string };
  return path ?? null;
}

function readBackPath(row: DeliveryRow, template: string, payload: unknown): string | null {
  if (payload === null) return null;
  const names = { key: row.idempotency_key, deliveryId: row.id };
  const filled = fillRequestPath(template, names, payload as PayloadTree);
  return filled.ok ? filled.path : null;
}

function textOf(result: AskResult): string | null {
  if (result.kind === 'answered') return answerText(result.body);
  return result.kind === 'held' ? answerText(result.content) : null;
}
