const FIRST_LOOK_MS = 2;
const LOOK_EVERY_MS_MAX = 30;

/**
 * Waits for a condition; fails by name when it does not come true. It is looked at every few milliseconds at first and
 * less often the longer it takes: looking costs what is waited for as much.
 */
export async function until(
  what: string | (() => string),
  condition: () => boolean | Promise<boolean>,
  msMax = 30_000,
): Promise<void> {
  const begun = performance.now();
  while (!(await condition())) {
    const waited = performance.now() - begun;
    if (waited > msMax) {
      const words = typeof what === 'string' ? what : what();
      throw new Error(`waited ${msMax} ms in vain until ${words}`);
    }
    const pause = Math.min(LOOK_EVERY_MS_MAX, Math.max(FIRST_LOOK_MS, waited / 10));
    await new Promise((resolve) => setTimeout(resolve, pause));
  }
}
