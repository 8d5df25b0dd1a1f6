import { ERRORS, type ErrorCode } from './error-registry.js';

/** RFC 9457 problem details as this API answers them. `code` is the stable part. */
export interface ProblemDetails {
  readonly type: string;
  readonly title: string;
  readonly status: number;
  readonly code: ErrorCode;
  readonly detail: string;
  readonly advice: string;
  readonly [extension: string]: unknown;
}

/** A request that ends in a problem; the filter turns it into the answer. */
export class Problem extends Error {
  constructor(
    readonly code: ErrorCode,
    readonly detail: string,
    readonly extensions: Readonly<Record<string, unknown>> = {},
    readonly headers: Readonly<Record<string, string>> = {},
  ) {
    super(`${code}: ${detail}`);
    this.name = 'Problem';
  }
}

export function problemDetails(
  code: ErrorCode,
  detail: string,
  extensions: Readonly<Record<string, unknown>> = {},
): ProblemDetails {
  const entry = ERRORS[code];
  return {
    type: `urn:drumline:problem:${code}`,
    title: entry.meaning,
    status: entry.status ?? 500,
    code,
    detail,
    advice: entry.remedy,
    ...extensions,
  };
}
