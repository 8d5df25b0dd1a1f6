const LOOK_EVERY_MS = 2;

/** Waits for a condition, looking every few milliseconds; fails by name when it does not come true. */
export async function until(
  what: string,
  condition: () => boolean | Promise<boolean>,
  msMax = 15_000,
): Promise<void> {
  const end = performance.now() + msMax;
  while (!(await condition())) {
    if (performance.now() > end) throw new Error(`waited ${msMax} ms in vain until ${what}`);
    await new Promise((resolve) => setTimeout(resolve, LOOK_EVERY_MS));
  }
}
