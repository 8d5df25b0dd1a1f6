import { Piscina } from 'piscina';

/**
 * Options of node for the threads of a pool, which loads their code by `require` where it can and by `import` where it
 * cannot. A thread that is ended while it loads a module by `require` takes the whole process with it ("IsGraphAsync must
 * be used on an instantiated module", Node 20); so it is made to use `import`.
 */
export const POOL_THREAD_OPTIONS: readonly string[] = ['--no-experimental-require-module'];

/** Threads that take tasks and answer them. */
export type Threads<Task = unknown, Answer = unknown> = Piscina<Task, Answer>;

type Options = NonNullable<ConstructorParameters<typeof Piscina>[0]>;

/**
 * Opens a pool of threads, which starts `minThreads` of them at once.
 *
 * @param file path of their compiled code
 */
export function openThreads<Task = unknown, Answer = unknown>(
  file: string,
  options: Omit<Options, 'filename' | 'execArgv'>,
): Threads<Task, Answer> {
  return new Piscina({ ...options, filename: file, execArgv: [...POOL_THREAD_OPTIONS] });
}

/** A thread came to the end of its memory. */
export function isOutOfMemory(error: unknown): boolean {
  return codeOf(error) === 'ERR_WORKER_OUT_OF_MEMORY';
}

/** A thread came to the end of its memory, or died while it loaded its code. */
export function isThreadDeath(error: unknown): boolean {
  return isOutOfMemory(error) || codeOf(error) === 'ERR_WORKER_INIT_FAILED';
}

function codeOf(error: unknown): unknown {
  return error instanceof Error && 'code' in error ? error.code : undefined;
}
