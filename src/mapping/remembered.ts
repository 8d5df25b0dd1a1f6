const REMEMBERED_MAX = 500;

/** What was made of a text, made once; a cache that is full begins anew. */
export function remembered<T>(cache: Map<string, T>, key: string, make: (key: string) => T): T {
  const held = cache.get(key);
  if (held !== undefined) return held;
  const made = make(key);
  if (cache.size >= REMEMBERED_MAX) cache.clear();
  cache.set(key, made);
  return made;
}
