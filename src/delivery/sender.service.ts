import type { PayloadTree } from '../mapping/payload-tree.js';
import { payloadPermits } from '../mapping/permit-reading.js';
import type { Destination } from '../site/site-folder.js';
import { type AttemptOutcome, classifySend } from './attempt-outcome.js';
import { type Claim, standsAsClaimed } from './claim.store.js';
import { canBeAsked, keyIsHonoured, messageName } from './delivery-mapping.js';
import type { DeliveryParts } from './delivery-parts.service.js';
import type { SendRequest, SendResult } from './endpoint.js';
import { outcomeInWords, withoutSecrets } from './kept-words.js';
import type { AttemptEnd } from './outcome.store.js';

const ANSWER_CHARACTERS_MAX = 4_096;
const SLEPT = 'not sent: the process slept after its claim, and may have been declared dead';
const FENCED = 'not sent: it does not stand as it was claimed any more';
const LATE = 'not sent: too little of its deadline was left for an answer';
/** Of a deadline, below which what is left is not worth a send that nobody could then say anything of. */
const LEFT_MIN = 1 / 4;

/** How a send ended, ready to be written. */
export interface Sent {
  readonly outcome: AttemptOutcome;
  readonly end: Omit<AttemptEnd, 'finishedAt'>;
  readonly askable: boolean;
}

/** Sends one claimed delivery; nothing is written here. */
export class Sender {
  readonly #parts: DeliveryParts;

  constructor(parts: DeliveryParts) {
    this.#parts = parts;
  }

  /** Gets at hand what several claims are going to send. Never fails: each send reads what is not at hand. */
  async prepare(claims: readonly Claim[]): Promise<void> {
    const { mapping } = this.#parts.options;
    try {
      const wanted = await Promise.all(
        claims.map(async ({ row: { payload_sha256: sha256, mapping_digest: mapped } }) => {
          const { document } = await mapping.forDigest(mapped);
          return sha256 === null ? [] : [{ sha256, format: document.format }];
        }),
      );
      await this.#parts.payloads.fetch(wanted.flat());
    } catch {
      // The send meets the same error and says so of its own delivery.
    }
  }

  async send(destination: Destination, claim: Claim): Promise<Sent> {
    const { mapping, clock, secrets } = this.#parts.options;
    const { row } = claim;
    const { document } = await mapping.forDigest(row.mapping_digest);
    const form = document.messages[messageName(row)];
    if (form === undefined || row.payload_sha256 === null) {
      throw new Error(`delivery ${row.id} was claimed without a payload or a mapped message`);
    }
    const stored = await this.#parts.payloads.read(row.payload_sha256, document.format);
    const { bytes: body, tree: payload } = stored;
    const askable = canBeAsked(destination, form.readBack);
    // Looked at once more before every send, whatever built it and whenever (rule 23).
    const permits = payload === null || payloadPermits(payload as PayloadTree, document.permits);
    if (row.barrier === 0 && permits) {
      const detail = 'the payload shows a value that permits release, and only a conforms may';
      return {
        outcome: { kind: 'withheld', detail },
        end: endOf('withheld', detail, null),
        askable,
      };
    }
    // A stop that was found since a *conforms* was claimed may be there already, and would be read back before this one
    // arrives. Anything else does no harm there beside what fenced it.
    const { db } = this.#parts.options.database;
    const isFenced = row.barrier === 1 && !(await standsAsClaimed(db, claim));
    // Nothing is waited for from here to the first byte but the connection, and once that stands this is looked at again.
    const deadlineMs = this.#parts.msLeft(claim.began, destination);
    const least = destination.timing.deadlineMs * LEFT_MIN;
    const detail = isFenced ? FENCED : this.#whyNotNow(claim, deadlineMs - least);
    if (detail !== null) return { ...postponed(detail), askable };
    const whyNot = () => this.#whyNotNow(claim, this.#parts.msLeft(claim.began, destination));
    const result = await this.#parts.endpoint(destination).send({
      ...this.#request(claim, body),
      deadlineMs: Math.floor(deadlineMs),
      mayLeave: () => whyNot() === null,
    });
    // What did not leave then still may not: the reason is known here, and not where the connection is.
    if (result.kind === 'postponed') return { ...postponed(whyNot() ?? result.detail), askable };
    const expected = {
      honoursKey: keyIsHonoured(destination),
      format: document.format,
      receipt: form.answer,
      payload,
    };
    const now = clock.now();
    const kept = withoutSecrets(result, secrets.mask);
    const outcome = outcomeInWords(classifySend(result, expected, now), {
      shown: kept === result ? null : classifySend(kept, expected, now),
      mask: secrets.mask,
    });
    const said = outcome.kind === 'accepted' ? null : outcome.detail;
    return { outcome, end: endOf(outcome.kind, said, kept), askable };
  }

  /**
   * Why a claim does not leave now. After a sleep between it and its first byte, also one that began while what is sent was
   * read or its connection was waited for, another worker may have taken it up; and once its deadline is over it is taken for
   * answered or lost: a stop counts then, and an absence.
   */
  #whyNotNow(claim: Claim, spareMs: number): string | null {
    const { worker } = this.#parts.options;
    if (!worker.mayStart || worker.id !== claim.worker) return SLEPT;
    return spareMs > 0 ? null : LATE;
  }

  #request({ row }: Claim, body: Uint8Array): Omit<SendRequest, 'deadlineMs' | 'mayLeave'> {
    const request = JSON.parse(row.request ?? '{}') as { method?: string; path?: string };
    return {
      key: row.idempotency_key,
      method: request.method === 'PUT' ? 'PUT' : 'POST',
      path: request.path ?? '',
      contentType: row.content_type ?? 'application/octet-stream',
      body,
    };
  }
}

function postponed(detail: string): Omit<Sent, 'askable'> {
  return { outcome: { kind: 'postponed', detail }, end: endOf('postponed', detail, null) };
}

function endOf(
  outcome: string,
  detail: string | null,
  result: SendResult | null,
): Omit<AttemptEnd, 'finishedAt'> {
  const answer = result?.kind === 'answered' ? result : null;
  return {
    outcome,
    status: answer?.status ?? null,
    answer: answer === null ? null : answerText(answer.body),
    detail,
  };
}

/** The beginning of an answer as text; NUL is taken out, since not every database keeps it in a text. */
export function answerText(body: Uint8Array): string {
  const text = new TextDecoder().decode(body.subarray(0, ANSWER_CHARACTERS_MAX));
  return text.replaceAll('\0', '');
}
