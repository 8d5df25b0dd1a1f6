import { hash, verify } from '@node-rs/argon2';
import { isNoPassword, passwordText } from './password-rules.js';

/**
 * Argon2id with the second recommended option of RFC 9106 §4 (figures from memory): 3 passes over 64 MiB in 4
 * lanes, a salt of 128 bits and a tag of 256. It stands in every stored hash, so a later change costs nobody
 * their password. The OWASP cheat sheet asks for less (19 MiB, 2 passes; from memory).
 */
const RECOMMENDED: PasswordCost = { memoryCost: 65_536, timeCost: 3, parallelism: 4 };
const ARGON2ID = { algorithm: 2, outputLen: 32 };

/** What hashing one password costs: KiB of memory, passes over it, lanes. */
export interface PasswordCost {
  readonly memoryCost: number;
  readonly timeCost: number;
  readonly parallelism: number;
}

/** Each takes 64 MiB for about a tenth of a second; more at once would only take turns. */
const AT_ONCE_MAX = 2;
const WAITING_MAX = 50;

/** Hashes and compares passwords, a few at a time. */
export class Passwords {
  #running = 0;
  readonly #waiting: (() => void)[] = [];
  #nobody: Promise<string> | null = null;

  /** @param cost of new hashes; a stored one is compared at what it says */
  constructor(private readonly cost = RECOMMENDED) {}

  hash(password: string): Promise<string> {
    return this.#inTurn(() => hash(passwordText(password), { ...ARGON2ID, ...this.cost }));
  }

  /**
   * Compares a password with a stored hash. Without one, when nobody has the name, the same work is done and
   * the answer is no: the time it takes tells nothing. `busy` when too many wait already.
   */
  async matches(stored: string | null, password: string): Promise<boolean | 'busy'> {
    if (this.#waiting.length >= WAITING_MAX) return 'busy';
    this.#nobody ??= this.hash('nobody has this password');
    const against = stored ?? (await this.#nobody);
    const isPossible = stored !== null && !isNoPassword(password);
    const text = isNoPassword(password) ? '' : passwordText(password);
    return (await this.#inTurn(() => verify(against, text))) && isPossible;
  }

  async #inTurn<T>(work: () => Promise<T>): Promise<T> {
    if (this.#running >= AT_ONCE_MAX) {
      await new Promise<void>((resolve) => this.#waiting.push(resolve));
    } else {
      this.#running += 1;
    }
    try {
      return await work();
    } finally {
      const next = this.#waiting.shift();
      if (next) next();
      else this.#running -= 1;
    }
  }
}
