/** Numbers in [0, 1) that depend on the seed alone: a story told twice is the same story. */
export type RandomSource = () => number;

/** Mulberry32: 32 bits of state, plenty for noise and schedules, no use for secrets. */
export function seededRandom(seed: number): RandomSource {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let mixed = state;
    mixed = Math.imul(mixed ^ (mixed >>> 15), mixed | 1);
    mixed ^= mixed + Math.imul(mixed ^ (mixed >>> 7), mixed | 61);
    return ((mixed ^ (mixed >>> 14)) >>> 0) / 2 ** 32;
  };
}

/** Standard normal numbers (Box and Muller, Annals of Mathematical Statistics 29, 610, 1958). */
export function gaussian(random: RandomSource): number {
  const radius = Math.sqrt(-2 * Math.log(1 - random()));
  return radius * Math.cos(2 * Math.PI * random());
}

/** A seed for a named thing within a story (FNV-1a over the name, mixed with the story's seed). */
export function seedFor(storySeed: number, name: string): number {
  let hash = (0x811c9dc5 ^ storySeed) >>> 0;
  for (let i = 0; i < name.length; i += 1) {
    hash = Math.imul(hash ^ name.charCodeAt(i), 0x01000193) >>> 0;
  }
  return hash;
}
