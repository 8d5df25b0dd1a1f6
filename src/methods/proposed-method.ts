import type { JsonValue } from '../formats/canonical-json.js';
import { formatInstant } from '../formats/instant.js';
import type { ShownDocument } from '../signatures/shown-document.js';
import type { SignatureSubject } from '../signatures/signature.js';
import type { RegisteredVersion } from './registered-method.js';

export function methodSubject(of: {
  readonly id: string;
  readonly version: string;
}): SignatureSubject {
  return { kind: 'method', id: `${of.id}:${of.version}`, revision: 1 };
}

/**
 * A version as its approval binds it: all of its content, the dates it was proposed with, who proposed it. Nothing of
 * it ever changes; an approval whose record reads differently was tampered with and approves nothing.
 */
export function proposedMethod({
  content,
  contentDigest,
  source,
  proposal,
  proposedBy,
  proposedAt,
}: RegisteredVersion): Pick<ShownDocument, 'subject' | 'record'> {
  const record: JsonValue = {
    content: JSON.parse(JSON.stringify(content)) as JsonValue,
    contentDigest,
    source,
    proposal: proposal && {
      effectiveFrom: proposal.effectiveFrom === null ? null : formatInstant(proposal.effectiveFrom),
      inForceBeside: [...proposal.beside],
      supersedes: [...proposal.supersedes],
      // Left out where nothing says so: what was signed before a proposal could say it stays as it was.
      ...(proposal.notRecomputable === undefined
        ? {}
        : { notRecomputable: proposal.notRecomputable }),
    },
    proposedBy,
    proposedAt: formatInstant(proposedAt),
  };
  return { subject: methodSubject(content), record };
}
