import { request } from 'undici';
import type { PulledAnswer } from './release-rule.js';

/** Where the stand-in ERP pulls its statements. */
export interface GatewayAddress {
  readonly url: string;
  readonly key: string;
}

const PULL_DEADLINE_MS = 3000;
const ANSWER_MAX = 1_048_576;

/** Pulls the fresh statement of one receipt. No answer in time is an answer of status 0. */
export async function pullStatement(
  gateway: GatewayAddress,
  receiptId: string,
): Promise<PulledAnswer> {
  const path = `/api/v1/receipts/${encodeURIComponent(receiptId)}/statement`;
  try {
    const answer = await request(new URL(path, gateway.url), {
      headers: { authorization: `Bearer ${gateway.key}`, accept: 'application/json' },
      signal: AbortSignal.timeout(PULL_DEADLINE_MS),
    });
    const text = await answer.body.text();
    if (text.length > ANSWER_MAX) return { status: 0, body: null };
    return { status: answer.statusCode, body: answer.statusCode === 200 ? JSON.parse(text) : null };
  } catch {
    // Down, slow or unreadable are one thing to a puller: nothing it may act on.
    return { status: 0, body: null };
  }
}
