import type { Logger } from 'pino';

const AGAIN_AFTER_MS = 60_000;
const KINDS_MAX = 100;

/** Logs a trouble that repeats once a minute, with how often it came: one line, not thousands. */
export class TroubleLog {
  readonly #seen = new Map<string, { saidAt: number; since: number }>();

  constructor(
    private readonly log: Logger,
    private readonly now: () => number = () => performance.now(),
  ) {}

  /** @param more what else the line says, and how loud it is; a warning when left out */
  note(
    event: string,
    reason: string,
    more: { readonly level?: 'warn' | 'error'; readonly [field: string]: unknown } = {},
  ): void {
    // Numbers (ports, ids of jobs) make the same trouble look new.
    const kind = `${event} ${reason.replaceAll(/\d+/g, '#').slice(0, 200)}`;
    const seen = this.#seen.get(kind);
    if (seen && this.now() - seen.saidAt < AGAIN_AFTER_MS) {
      seen.since += 1;
      return;
    }
    if (this.#seen.size >= KINDS_MAX) this.#seen.clear();
    this.#seen.set(kind, { saidAt: this.now(), since: 0 });
    const { level = 'warn', ...fields } = more;
    this.log[level]({ event, reason, ...fields, repeated: seen?.since ?? 0 });
  }
}
