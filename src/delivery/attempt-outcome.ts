import type { Instant } from '../formats/instant.js';
import type { AnswerReceipt } from '../site/mapping-document.js';
import { leafText, type PayloadFormat, readTree, type Tree, valueAt } from './answer-tree.js';
import type { Answer, SendResult } from './endpoint.js';
import { retryAfterMs } from './retry-after.js';

/** What an attempt came to, whatever kind of endpoint made it. */
export type AttemptOutcome =
  /** The destination took it and said so in the declared form. */
  | { readonly kind: 'accepted'; readonly reference: string | null }
  /** Nothing was processed: send again later. */
  | {
      readonly kind: 'unavailable';
      readonly detail: string;
      readonly retryAfterMs: number | null;
    }
  /** We did not send it, for a reason that passes: send later. */
  | { readonly kind: 'postponed'; readonly detail: string }
  /** It may or may not have been processed. */
  | { readonly kind: 'uncertain'; readonly detail: string }
  /** The destination still works on our own key. */
  | { readonly kind: 'key-busy'; readonly detail: string }
  /** Our own key is taken by other content. */
  | { readonly kind: 'key-conflict'; readonly detail: string }
  | { readonly kind: 'credentials'; readonly detail: string }
  /** Refused in the destination's words. */
  | { readonly kind: 'rejected'; readonly detail: string }
  /** We did not send it: the payload breaks a rule of ours. */
  | { readonly kind: 'withheld'; readonly detail: string };

export interface AnswerExpectation {
  readonly honoursKey: boolean;
  readonly format: PayloadFormat;
  readonly receipt: AnswerReceipt;
  /** The payload that was sent, as a tree. */
  readonly payload: Tree;
}

const RETRIED: ReadonlySet<number> = new Set([408, 425, 429, 503]);

/**
 * Classifies how a send ended.
 *
 * Source: outcome table of the design, §8. It is stricter than the table in RFC 9110 and the webhook text
 * (`standards/integrity-and-exchange.md`): 500, 502 and 504 may follow a commit, so they are doubts.
 */
export function classifySend(
  result: SendResult,
  expected: AnswerExpectation,
  now: Instant,
): AttemptOutcome {
  switch (result.kind) {
    case 'answered':
      return classifyAnswer(result, expected, now);
    case 'stored':
      return { kind: 'accepted', reference: result.reference };
    case 'conflict':
      return { kind: 'key-conflict', detail: result.detail };
    case 'denied':
      return { kind: 'credentials', detail: result.detail };
    case 'unreached':
      return { kind: 'unavailable', detail: result.detail, retryAfterMs: null };
    case 'postponed':
      return { kind: 'postponed', detail: result.detail };
    case 'broken':
      return { kind: 'uncertain', detail: result.detail };
  }
}

function classifyAnswer(answer: Answer, expected: AnswerExpectation, now: Instant): AttemptOutcome {
  const { status } = answer;
  const detail = `status ${status}${wordsOf(answer)}`;
  if (status >= 200 && status < 300) return readReceipt(answer, expected);
  if (RETRIED.has(status)) {
    return { kind: 'unavailable', detail, retryAfterMs: retryAfterMs(answer.retryAfter, now) };
  }
  if (status === 401) return { kind: 'credentials', detail };
  if (expected.honoursKey && status === 409) return { kind: 'key-busy', detail };
  if (expected.honoursKey && status === 422) return { kind: 'key-conflict', detail };
  if (status === 501 || status === 505) return { kind: 'rejected', detail };
  // 500, 502, 504 and any status nobody defined: the request may have been processed before the failure.
  if (status >= 500 || status < 200) return { kind: 'uncertain', detail };
  return { kind: 'rejected', detail };
}

/** A 2xx counts as accepted only when the answer shows what the mapping declares. */
function readReceipt(answer: Answer, expected: AnswerExpectation): AttemptOutcome {
  const { receipt } = expected;
  const status = `status ${answer.status}`;
  if (receipt.echo.length === 0 && receipt.reference === null) {
    return { kind: 'accepted', reference: null };
  }
  if (answer.isCut)
    return { kind: 'uncertain', detail: `${status}, but the answer is too long to read` };
  const read = readTree(expected.format, answer.body);
  if (!read.ok) {
    return {
      kind: 'uncertain',
      detail: `${status}, but the answer ${read.detail}${wordsOf(answer)}`,
    };
  }
  const { tree } = read;
  for (const { sent, held } of receipt.echo) {
    const ours = leafText(valueAt(expected.payload, sent));
    const theirs = leafText(valueAt(tree, held));
    if (ours === null || ours !== theirs) {
      const found = theirs === null ? 'nothing' : quoted(theirs);
      return {
        kind: 'uncertain',
        detail: `${status}, but ${held}: expected ${quoted(ours ?? '')}, found ${found}`,
      };
    }
  }
  if (receipt.reference === null) return { kind: 'accepted', reference: null };
  const reference = leafText(valueAt(tree, receipt.reference));
  return reference === null || reference === ''
    ? {
        kind: 'uncertain',
        detail: `${status}, but the answer names no number at ${receipt.reference}`,
      }
    : { kind: 'accepted', reference };
}

/** The destination's own words, for the person who reads them: one line, control characters out. */
function wordsOf(answer: Answer): string {
  const text = new TextDecoder().decode(answer.body.subarray(0, 2000));
  // biome-ignore lint/suspicious/noControlCharactersInRegex: these are the characters to take out
  const line = text.replace(/[\s\u0000-\u001f\u007f]+/g, ' ').trim();
  return line === '' ? '' : `: ${line.slice(0, 500)}`;
}

function quoted(text: string): string {
  return `"${text.slice(0, 200)}"`;
}
