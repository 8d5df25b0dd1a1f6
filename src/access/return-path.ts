const LENGTH_MAX = 2000;

/**
 * Where a sign-in may lead: a page of this gateway, as path and query. Everything else leads to the start page:
 * other hosts (also `//host` and `/\host`, which browsers read as one), control characters, what is no page.
 */
export function returnPath(asked: string | undefined): string {
  if (asked === undefined || asked.length > LENGTH_MAX) return '/';
  if (!/^\/(?![/\\])[\x21-\x5b\x5d-\x7e]*$/.test(asked)) return '/';
  return /^\/(?:api|assets|health|sign-in|sign-out)(?:[/?#]|$)/.test(asked) ? '/' : asked;
}
