import { type Mask, maskBytes } from '../access/secret-mask.js';
import { leafText, type Tree } from './answer-tree.js';
import type { AttemptOutcome } from './attempt-outcome.js';
import type { AskResult, SendResult } from './endpoint.js';
import type { ReadBackAnswer } from './read-back-answer.js';

/**
 * What a destination said is judged as it was said, and kept without our secrets: it may echo the credentials it was
 * sent. Judging the masked text instead would let a secret that also stands in a message look like a difference.
 */

const NOT_KEPT = 'the words of the answer are not kept, because a secret in use stands in them';

/** The result without secrets, of the same kind; the very same object when it holds none. */
export function withoutSecrets<T extends SendResult | AskResult>(result: T, mask: Mask): T {
  return masked(result, mask) as T;
}

function masked(result: SendResult | AskResult, mask: Mask): SendResult | AskResult {
  switch (result.kind) {
    case 'answered': {
      const body = maskBytes(mask, result.body);
      return body === result.body ? result : { ...result, body };
    }
    case 'held': {
      const content = maskBytes(mask, result.content);
      return content === result.content ? result : { ...result, content };
    }
    case 'stored': {
      const reference = mask(result.reference);
      return reference === result.reference ? result : { ...result, reference };
    }
    case 'absent':
      return result;
    default: {
      const detail = mask(result.detail);
      return detail === result.detail ? result : { ...result, detail };
    }
  }
}

/**
 * The outcome as judged, in words that may be kept.
 *
 * @param shown the outcome of the masked result; null when there was nothing to mask
 */
export function outcomeInWords(
  judged: AttemptOutcome,
  { shown, mask }: { readonly shown: AttemptOutcome | null; readonly mask: Mask },
): AttemptOutcome {
  if (shown === null) return judged;
  if (judged.kind === 'accepted') {
    return { ...judged, reference: judged.reference === null ? null : mask(judged.reference) };
  }
  return { ...judged, detail: shown.kind === judged.kind ? shown.detail : NOT_KEPT };
}

/** As `outcomeInWords`, for what a destination was found to hold. */
export function answerInWords(
  judged: ReadBackAnswer,
  shown: ReadBackAnswer | null,
): ReadBackAnswer {
  if (shown === null || !('detail' in judged)) return judged;
  const detail = shown.kind === judged.kind ? shown.detail : NOT_KEPT;
  if (judged.kind !== 'differs') return { ...judged, detail };
  const kept = new Map(
    shown.kind === 'differs' ? shown.differences.map((d) => [d.field, d.detail]) : [],
  );
  const differences = judged.differences.map(({ field }) => ({
    field,
    detail: kept.get(field) ?? NOT_KEPT,
  }));
  return { ...judged, detail, differences };
}

/** A tree whose texts hold no secret; the very same tree when none did. */
export function leavesWithoutSecrets(tree: Tree, mask: Mask): Tree {
  if (typeof tree === 'object' && tree !== null) {
    const entries = Object.entries(tree);
    const kept = entries.map(
      ([name, value]) => [mask(name), leavesWithoutSecrets(value, mask)] as const,
    );
    if (kept.every(([name, value], i) => name === entries[i]?.[0] && value === entries[i][1])) {
      return tree;
    }
    return Array.isArray(tree) ? kept.map(([, value]) => value) : Object.fromEntries(kept);
  }
  const text = leafText(tree);
  if (text === null) return tree;
  const masked = mask(text);
  return masked === text ? tree : masked;
}
