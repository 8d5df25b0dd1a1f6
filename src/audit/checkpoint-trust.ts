import { checkpointBytes, type SignedCheckpoint } from './checkpoint.js';
import { isSignedBy, type PublicTrailKey } from './signing-key.js';

export type TrustVerdict =
  | { readonly kind: 'signed'; readonly by: string; readonly isFirstUse: boolean }
  | { readonly kind: 'unsigned' }
  | { readonly kind: 'refused'; readonly why: string };

/**
 * Whose signature counts. With keys given from outside only these do, and those that a checkpoint signed by a key
 * that counts brings in: a new key is announced by an entry, and the checkpoint that changes it is signed by both.
 * Without, the first key that signs is believed, which is worth what the place of the trail is worth.
 */
export class CheckpointTrust {
  readonly #trusted: Map<string, PublicTrailKey>;
  readonly #announced = new Map<string, PublicTrailKey>();
  readonly #isPinned: boolean;
  #hasSigned = false;

  constructor(given: readonly PublicTrailKey[]) {
    this.#trusted = new Map(given.map((key) => [key.id, key]));
    this.#isPinned = given.length > 0;
  }

  /** An entry of the trail names a key that will sign. */
  announce(key: PublicTrailKey): void {
    this.#announced.set(key.id, key);
  }

  /** True when a checkpoint without signature is a fault: a key was in use, or somebody brought one. */
  get expectsSignature(): boolean {
    return this.#hasSigned && this.#isPinned;
  }

  get isPinned(): boolean {
    return this.#isPinned;
  }

  /** Whether all its signatures are by keys that somebody names; believes and retires none by it. */
  isSigned({ checkpoint, signatures }: SignedCheckpoint): boolean {
    const message = checkpointBytes(checkpoint);
    const areGood = signatures.every(({ key: id, signature }) => {
      const key = this.#trusted.get(id) ?? this.#announced.get(id);
      return key !== undefined && isSignedBy(key, message, signature);
    });
    return signatures.length > 0 && areGood;
  }

  judge({ checkpoint, signatures }: SignedCheckpoint): TrustVerdict {
    if (signatures.length === 0) return { kind: 'unsigned' };
    const message = checkpointBytes(checkpoint);
    const signers: PublicTrailKey[] = [];
    for (const { key: id, signature } of signatures) {
      const key = this.#trusted.get(id) ?? this.#announced.get(id);
      if (key === undefined) return { kind: 'refused', why: `key ${id} was announced by no entry` };
      if (!isSignedBy(key, message, signature)) {
        return { kind: 'refused', why: `the signature of key ${id} is not over this checkpoint` };
      }
      signers.push(key);
    }
    return this.#believe(signers, checkpoint.retires);
  }

  #believe(signers: readonly PublicTrailKey[], retires: string | null): TrustVerdict {
    const isFirstUse = this.#trusted.size === 0 && !this.#hasSigned;
    const voucher = isFirstUse ? signers[0] : signers.find(({ id }) => this.#trusted.has(id));
    if (voucher === undefined) {
      const names = signers.map(({ id }) => id).join(', ');
      return { kind: 'refused', why: `no key that counts vouched for key ${names}` };
    }
    this.#hasSigned = true;
    for (const signer of signers) this.#trusted.set(signer.id, signer);
    if (retires !== null && signers.some(({ id }) => id !== retires)) this.#trusted.delete(retires);
    return { kind: 'signed', by: voucher.id, isFirstUse };
  }
}
