import { EXIT, progress } from './output.js';

/** What runs may take this long to end; container files grant a little more. */
const END_MS_MAX = 50_000;
/** Connections that others still hold open after everything was closed are not waited for. */
const LINGER_MS_MAX = 1_000;

/**
 * Ends the process by SIGTERM or SIGINT: nothing more is taken, what runs ends, then everything is closed.
 * What takes too long is cut off, and the next process takes it up; a second signal cuts it off at once.
 */
export function closeOnSignal(close: () => Promise<void>): void {
  let isClosing = false;
  const onSignal = (signal: NodeJS.Signals) => {
    if (isClosing) process.exit(EXIT.problems);
    isClosing = true;
    progress(`${signal}: ending what runs`);
    setTimeout(() => process.exit(EXIT.problems), END_MS_MAX).unref();
    close().then(
      () => exitSoon(EXIT.fine),
      (error: unknown) => {
        progress(error instanceof Error ? (error.stack ?? error.message) : String(error));
        exitSoon(EXIT.problems);
      },
    );
  };
  process.on('SIGTERM', onSignal);
  process.on('SIGINT', onSignal);
}

function exitSoon(code: number): void {
  process.exitCode = code;
  setTimeout(() => process.exit(), LINGER_MS_MAX).unref();
}
