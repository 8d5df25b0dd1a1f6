import { canonicalDigest, type Sha256 } from '../formats/canonical-json.js';
import { formatInstant, type Instant } from '../formats/instant.js';
import { formatInZone } from '../formats/time-zone.js';

/**
 * What a signer says by signing (21 CFR 11.50(a)(3)). `cleared` and `refused`: a held result or bundle;
 * `reviewed`, `approved`: a record, a change; `closed`: a period; `lifted`: a stop; `attributed`: evidence that
 * got another owner; `retired`, `invalidated`: a version of a method; `rejected`: a container.
 */
export type Meaning =
  | 'reviewed'
  | 'approved'
  | 'cleared'
  | 'refused'
  | 'closed'
  | 'lifted'
  | 'attributed'
  | 'retired'
  | 'invalidated'
  | 'rejected';

/** The record a signature is of, at one revision. */
export interface SignatureSubject {
  /** `result`, `bundle`, and what later acts sign. */
  readonly kind: string;
  readonly id: string;
  readonly revision: number;
}

/** Which of the two components of a signature the signer gave (21 CFR 11.200(a)(1)). */
export type Components = 'user-name-and-password' | 'password';

/** A signature as it was made. Nothing of it ever changes; `digest` covers every other field. */
export interface Signature {
  readonly id: string;
  readonly site: string;
  readonly at: Instant;
  /** IANA zone the site keeps. */
  readonly zone: string;
  readonly accountId: string;
  readonly userName: string;
  /** The signer's name as it is printed wherever the record is. */
  readonly printedName: string;
  readonly meaning: Meaning;
  readonly subject: SignatureSubject;
  /** RFC 8785 form of the `ShownDocument` the signer saw. */
  readonly shown: string;
  readonly shownSha256: Sha256;
  readonly reason: string;
  /** Address of the computer it was made from; null when unknown. */
  readonly source: string | null;
  /** The sitting it was made in, and its place there, from 1. */
  readonly series: string;
  readonly seriesNumber: number;
  readonly components: Components;
  readonly digest: Sha256;
}

/** SHA-256 over every field of a signature but the digest itself, in RFC 8785 form. */
export function signatureDigest(signature: Omit<Signature, 'digest'> | Signature): Sha256 {
  const { digest: _, ...bound } = { digest: null, ...signature };
  return canonicalDigest(bound);
}

/** What a signed record shows of a signature wherever it is shown (21 CFR 11.50(a) and (b)). */
export interface SignatureManifest {
  readonly signatureId: string;
  readonly printedName: string;
  readonly userName: string;
  /** RFC 3339 in UTC. */
  readonly at: string;
  /** The same instant by the site's clock, with its offset. */
  readonly atSite: string;
  readonly zone: string;
  readonly meaning: Meaning;
  readonly reason: string;
  readonly shownSha256: string;
  readonly digest: string;
}

export function signatureManifest(signature: Signature): SignatureManifest {
  return {
    signatureId: signature.id,
    printedName: signature.printedName,
    userName: signature.userName,
    at: formatInstant(signature.at),
    atSite: formatInZone(signature.at, signature.zone),
    zone: signature.zone,
    meaning: signature.meaning,
    reason: signature.reason,
    shownSha256: signature.shownSha256,
    digest: signature.digest,
  };
}
