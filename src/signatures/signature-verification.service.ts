import type { Reader } from '../storage/database.js';
import type { Signature } from './signature.js';
import { signaturesAfter, signingEntries } from './signatures.store.js';
import { type SignatureReport, SignatureVerifier } from './verify-signatures.js';

const READ_AT_ONCE = 1000;

/**
 * Holds every signature of a site against the entries of its acts (21 CFR 11.70). That the entries are whole is the
 * sealed trail's to show.
 */
export async function verifySignaturesOf(reader: Reader, site: string): Promise<SignatureReport> {
  const verifier = new SignatureVerifier();
  for (const entry of await signingEntries(reader, site)) verifier.entry(entry);
  for await (const some of signaturePages(reader, site)) {
    for (const signature of some) verifier.signature(signature);
  }
  return verifier.report();
}

/** Every signature of a site, a page at a time. */
export async function* signaturePages(
  reader: Reader,
  site: string,
): AsyncGenerator<readonly Signature[]> {
  for (let after = ''; ; ) {
    const some = await signaturesAfter(reader, site, after, READ_AT_ONCE);
    if (some.length > 0) yield some;
    if (some.length < READ_AT_ONCE) return;
    after = some.at(-1)?.id ?? '';
  }
}
