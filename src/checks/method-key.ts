/** One text for id and version that no other pair has. */
export function methodKey(method: { readonly id: string; readonly version: string }): string {
  return JSON.stringify([method.id, method.version]);
}
