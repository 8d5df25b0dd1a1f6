/**
 * Arrays of IEEE 754 numbers as little-endian bytes in base64 (RFC 4648 section 4, with padding), the form
 * spectra travel in. Decoding is strict: any character, padding or stray bit that encoding the bytes again
 * would not produce is a fault, so that one array has one text.
 */
export type FloatWidth = 'float32' | 'float64';

export type FloatValues = Float32Array | Float64Array;

export type DecodedFloats =
  | { readonly ok: true; readonly values: FloatValues }
  | { readonly ok: false; readonly message: string };

const BYTES: Readonly<Record<FloatWidth, number>> = { float32: 4, float64: 8 };

/** Typed arrays use the machine's order; the text is little-endian everywhere. */
const MACHINE_IS_LITTLE_ENDIAN = new Uint8Array(new Uint16Array([1]).buffer)[0] === 1;

/** Values as base64. Numbers that float32 cannot hold exactly are rounded to the nearest it can. */
export function encodeFloats(values: ArrayLike<number>, width: FloatWidth): string {
  const typed = width === 'float32' ? Float32Array.from(values) : Float64Array.from(values);
  return littleEndianBytes(typed).toString('base64');
}

/**
 * Reads exactly `points` values, or says why the text does not hold them. The length is compared before
 * anything is decoded, so a text of the wrong size costs nothing.
 */
export function decodeFloats(text: string, width: FloatWidth, points: number): DecodedFloats {
  const size = points * BYTES[width];
  const expected = Math.ceil(size / 3) * 4;
  if (text.length !== expected) {
    return { ok: false, message: lengthMessage(text, width, points, expected) };
  }
  const bytes = Buffer.from(text, 'base64');
  if (bytes.length !== size || bytes.toString('base64') !== text) {
    return { ok: false, message: `expected base64 with padding, found ${strayCharacter(text)}` };
  }
  return { ok: true, values: fromLittleEndian(bytes, width, points) };
}

/**
 * The bytes of a typed array in little-endian order, to be read only: a view of the array itself where the
 * machine's order allows it, because copying costs more than encoding.
 */
export function littleEndianBytes(values: FloatValues): Buffer {
  const view = Buffer.from(values.buffer, values.byteOffset, values.byteLength);
  if (MACHINE_IS_LITTLE_ENDIAN) return view;
  const bytes = Buffer.from(view);
  swap(bytes, values.BYTES_PER_ELEMENT);
  return bytes;
}

function fromLittleEndian(bytes: Buffer, width: FloatWidth, points: number): FloatValues {
  const own = new Uint8Array(bytes.length);
  own.set(bytes);
  if (!MACHINE_IS_LITTLE_ENDIAN) swap(Buffer.from(own.buffer), BYTES[width]);
  return width === 'float32'
    ? new Float32Array(own.buffer, 0, points)
    : new Float64Array(own.buffer, 0, points);
}

function swap(bytes: Buffer, size: number): void {
  if (size === 4) bytes.swap32();
  else bytes.swap64();
}

function lengthMessage(text: string, width: FloatWidth, points: number, expected: number): string {
  return `expected ${expected} base64 characters for ${points} ${width} values, found ${text.length}`;
}

function strayCharacter(text: string): string {
  const at = text.search(/[^A-Za-z0-9+/=]/);
  if (at !== -1) return `the character ${JSON.stringify(text[at])} at position ${at}`;
  const padding = text.indexOf('=');
  return padding !== -1 && padding < text.length - 2
    ? `padding at position ${padding}, before the end`
    : 'padding or last bits that no encoder writes';
}
