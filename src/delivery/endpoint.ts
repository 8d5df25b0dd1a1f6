/**
 * The port through which a message leaves the building. Both kinds (HTTP, file drop) pass one conformance
 * suite. An endpoint never throws for what the other side does: every way a send can end is a value,
 * because "sent, no answer" is neither success nor failure.
 */
export interface SendRequest {
  /** Sent with every attempt of the delivery, never minted anew for a retry. */
  readonly key: string;
  readonly method: 'POST' | 'PUT';
  /** Relative to the base URL, placeholders filled and percent-encoded; the file name of a file drop. */
  readonly path: string;
  readonly contentType: string;
  readonly body: Uint8Array;
  /** One total deadline for connect, send and answer. */
  readonly deadlineMs: number;
  /**
   * Asked once, when nothing is waited for any more before the message leaves or becomes visible: the machine may have slept
   * while it was waited, and others may have taken the message up. When it says no, nothing leaves.
   */
  readonly mayLeave: () => boolean;
}

/** What an endpoint says of a message that may not leave any more; why, the sender knows. */
export const NOT_LEFT: Extract<SendResult, { kind: 'postponed' }> = {
  kind: 'postponed',
  detail: 'not sent: it might not leave any more when everything was ready for it',
};

export interface AskRequest {
  readonly path: string;
  readonly deadlineMs: number;
  /** Longest answer that is read; `ANSWER_BYTES_MAX` when left out. */
  readonly bytesMax?: number;
}

/** Longest answer that is read; the rest is cut off and the answer counts as unreadable. */
export const ANSWER_BYTES_MAX = 65_536;

export interface Answer {
  readonly kind: 'answered';
  readonly status: number;
  readonly retryAfter: string | null;
  /** At most `ANSWER_BYTES_MAX` bytes. */
  readonly body: Uint8Array;
  readonly isCut: boolean;
}

export type SendResult =
  | Answer
  /** The endpoint itself saw the message stored; `existed` when an equal one was there already. */
  | { readonly kind: 'stored'; readonly reference: string; readonly existed: boolean }
  /** Our key is taken by other content. */
  | { readonly kind: 'conflict'; readonly detail: string }
  | { readonly kind: 'denied'; readonly detail: string }
  /** Nothing left: no byte of the request was handed to the connection, no file became visible. */
  | { readonly kind: 'unreached'; readonly detail: string }
  /** Nothing left either, and that was no fault of the other side: `mayLeave` said no. */
  | { readonly kind: 'postponed'; readonly detail: string }
  /** At least one byte left and no whole answer came. */
  | { readonly kind: 'broken'; readonly detail: string };

export type AskResult =
  | Answer
  /** What is held under the name that was asked for, whole. */
  | { readonly kind: 'held'; readonly content: Uint8Array }
  | { readonly kind: 'absent' }
  | { readonly kind: 'unavailable'; readonly detail: string };

export interface Endpoint {
  send(request: SendRequest): Promise<SendResult>;
  ask(request: AskRequest): Promise<AskResult>;
  close(): Promise<void>;
}
