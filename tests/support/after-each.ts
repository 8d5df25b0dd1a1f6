type TidyUp = () => Promise<void> | void;

const all: TidyUp[] = [];

/**
 * What a support module does after every test. Test files share the modules of their process, so a hook that a module
 * registers itself would belong to the first file that imports it.
 */
export function afterEveryTest(tidyUp: TidyUp): void {
  all.push(tidyUp);
}

/** Those that came last first; each, whatever becomes of the others. */
export async function tidyUp(): Promise<void> {
  const failures: unknown[] = [];
  for (const one of [...all].reverse()) {
    try {
      await one();
    } catch (error) {
      failures.push(error);
    }
  }
  if (failures.length > 0) throw failures[0];
}
