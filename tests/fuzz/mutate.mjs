/**
 * Seeds broken in the ways that files break, and in those that somebody breaks them on purpose. The same numbers
 * give the same bytes.
 */

/** A generator of numbers in [0, 1), 32 bits of state (mulberry32, public domain). */
export function randomOf(seed) {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let mixed = Math.imul(state ^ (state >>> 15), state | 1);
    mixed ^= mixed + Math.imul(mixed ^ (mixed >>> 7), mixed | 61);
    return ((mixed ^ (mixed >>> 14)) >>> 0) / 4_294_967_296;
  };
}

const NUMBERS = [
  '0',
  '-1',
  '9'.repeat(12),
  '1e308',
  '1e-400',
  '2147483648',
  'NaN',
  '9'.repeat(400),
];
const WORDS = [0, 1, 0x7fffffff, 0x80000000, 0xffffffff, 0x10000000];
const SPLICE_MAX = 4_096;

const WAYS = [bitFlips, cut, cutOut, splice, inflatedText, inflatedWord, doubled];

/**
 * @param seeds all files, of every format
 * @param index which of them is broken
 */
export function mutated(seeds, index, random) {
  let bytes = Buffer.from(seeds[index].bytes);
  const times = 1 + Math.floor(random() * 3);
  for (let i = 0; i < times; i++) {
    const way = WAYS[Math.floor(random() * WAYS.length)];
    if (bytes.length > 0) bytes = way(bytes, random, seeds);
  }
  return bytes;
}

const at = (bytes, random) => Math.floor(random() * bytes.length);

function bitFlips(bytes, random) {
  const copy = Buffer.from(bytes);
  for (let i = Math.floor(random() * 8); i >= 0; i--)
    copy[at(copy, random)] ^= 1 << Math.floor(random() * 8);
  return copy;
}

function cut(bytes, random) {
  return bytes.subarray(0, at(bytes, random));
}

function cutOut(bytes, random) {
  const from = at(bytes, random);
  const to = Math.min(bytes.length, from + 1 + Math.floor(random() * 64));
  return Buffer.concat([bytes.subarray(0, from), bytes.subarray(to)]);
}

function splice(bytes, random, seeds) {
  const other = seeds[Math.floor(random() * seeds.length)].bytes;
  const from = at(other, random);
  const part = other.subarray(from, from + Math.floor(random() * SPLICE_MAX));
  const where = at(bytes, random);
  return Buffer.concat([bytes.subarray(0, where), part, bytes.subarray(where)]);
}

/** A number written out gets another size. */
function inflatedText(bytes, random) {
  const text = bytes.toString('latin1');
  const found = [...text.matchAll(/-?\d+(?:\.\d+)?/g)];
  if (found.length === 0) return bytes;
  const one = found[Math.floor(random() * found.length)];
  const number = NUMBERS[Math.floor(random() * NUMBERS.length)];
  const changed = text.slice(0, one.index) + number + text.slice(one.index + one[0].length);
  return Buffer.from(changed, 'latin1');
}

/** A length, count or offset in four bytes gets another size; most of them stand in the front. */
function inflatedWord(bytes, random) {
  if (bytes.length < 4) return bytes;
  const copy = Buffer.from(bytes);
  const reach = random() < 0.7 ? Math.min(bytes.length, 512) : bytes.length;
  const where = Math.floor((random() * (reach - 3)) / 4) * 4;
  copy.writeUInt32BE(WORDS[Math.floor(random() * WORDS.length)], where);
  return copy;
}

function doubled(bytes, random) {
  const from = at(bytes, random);
  const part = bytes.subarray(from, from + 1 + Math.floor(random() * 256));
  return Buffer.concat([bytes.subarray(0, from), part, part, bytes.subarray(from + part.length)]);
}
