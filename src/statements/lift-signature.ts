import { isAsMade } from '../signatures/shown-document.js';
import type { Signature } from '../signatures/signature.js';

/** True when a signature lifts this stop: made as a lift, unaltered, and the stop is among those it names. */
export function isLiftOf(signature: Signature | undefined, stopId: string): boolean {
  if (signature === undefined || signature.meaning !== 'lifted' || !isAsMade(signature))
    return false;
  const { record } = JSON.parse(signature.shown) as {
    readonly record?: { readonly stops?: readonly { readonly stopId?: string }[] };
  };
  return record?.stops?.some((stop) => stop.stopId === stopId) ?? false;
}
