const POLICY = [
  "default-src 'none'",
  "style-src 'self'",
  "img-src 'self'",
  "base-uri 'none'",
  "frame-ancestors 'none'",
];

/** Pages load their own stylesheet and icon and nothing else; no script runs, no form leaves. */
export const PAGE_POLICY = [...POLICY, "form-action 'none'"].join('; ');

/** As `PAGE_POLICY`, for pages with forms, which go to this gateway only. */
export const FORM_POLICY = [...POLICY, "form-action 'self'"].join('; ');

/** What every page goes out with, also one that says why there is none. */
export const PAGE_HEADERS = {
  'content-security-policy': PAGE_POLICY,
  'cache-control': 'no-store',
  'x-content-type-options': 'nosniff',
  'referrer-policy': 'same-origin',
} as const;

export const FORM_PAGE_HEADERS = {
  ...PAGE_HEADERS,
  'content-security-policy': FORM_POLICY,
  'content-type': 'text/html; charset=utf-8',
} as const;
