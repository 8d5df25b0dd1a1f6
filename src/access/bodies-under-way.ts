import { Problem } from '../problem-details.js';

export interface BodyBounds {
  /** Bytes of the bodies of one caller. */
  readonly callerBytesMax: number;
  /** Bytes of all bodies together. */
  readonly bytesMax: number;
}

const MIB = 1024 * 1024;
/** Four bundles of the 32 MiB that the example site takes, or two announcements of the largest size, at once. */
const CALLER_BYTES_MAX = 128 * MIB;
/** As large as a form or an act told as JSON may be; most are a thousandth of it. */
const SMALL_BYTES = 128 * 1024;
/** Only for small bodies: who takes a key from its holder must not wait for what that holder is sending. */
const SMALL_ROOM_BYTES = 16 * MIB;
/** A body may take two minutes; most end within seconds. */
const REFUSED = { 'retry-after': '5', connection: 'close' };

/**
 * One caller has half of the room, so that no key keeps the others out by itself, and never less than the largest body takes
 * that any address reads.
 */
export function bodyBounds(largestBytes: number): BodyBounds {
  const callerBytesMax = Math.max(CALLER_BYTES_MAX, largestBytes);
  return { callerBytesMax, bytesMax: 2 * callerBytesMax };
}

/**
 * What bodies of requests take up in memory, from the moment that they are announced until their handlers have ended. It is
 * reserved by what is stated, not by what has come: bodies that stopped half-way for want of room would wait for each other.
 */
export class BodiesUnderWay {
  readonly #reserved = new Map<object, { readonly caller: string; readonly bytes: number }>();
  readonly #byCaller = new Map<string, number>();
  #bytes = 0;

  constructor(private readonly bounds: BodyBounds) {}

  /**
   * A body that is alone always has room, and so has one that is the only one of its caller, up to the bound of all.
   *
   * @param caller whose share it counts in
   * @throws Problem `body-share-used` or `body-no-room`; then nothing is reserved
   */
  reserve(request: object, caller: string, bytes: number): void {
    const { callerBytesMax, bytesMax } = this.bounds;
    const own = this.#byCaller.get(caller) ?? 0;
    if (own > 0 && own + bytes > callerBytesMax) {
      throw noRoom('body-share-used', { bytes, taken: own, max: callerBytesMax });
    }
    const room = bytesMax + (bytes <= SMALL_BYTES ? SMALL_ROOM_BYTES : 0);
    if (this.#bytes > 0 && this.#bytes + bytes > room) {
      throw noRoom('body-no-room', { bytes, taken: this.#bytes, max: room });
    }
    this.release(request);
    this.#reserved.set(request, { caller, bytes });
    this.#add(caller, bytes);
  }

  /** Once the handler of a request has ended, however it did; a request without a body has nothing to give back. */
  release(request: object): void {
    const held = this.#reserved.get(request);
    if (held === undefined) return;
    this.#reserved.delete(request);
    this.#add(held.caller, -held.bytes);
  }

  #add(caller: string, bytes: number): void {
    this.#bytes += bytes;
    const own = (this.#byCaller.get(caller) ?? 0) + bytes;
    // Callers come and go for as long as the process lives.
    if (own === 0) this.#byCaller.delete(caller);
    else this.#byCaller.set(caller, own);
  }
}

function noRoom(
  code: 'body-share-used' | 'body-no-room',
  { bytes, taken, max }: { readonly bytes: number; readonly taken: number; readonly max: number },
): Problem {
  const detail = `${taken} bytes are under way, this body takes ${bytes}, the limit is ${max}`;
  // The rest of the body would be read for nothing.
  return new Problem(code, detail, {}, REFUSED);
}
