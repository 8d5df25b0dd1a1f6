import diagnostics from 'node:diagnostics_channel';

/** The numbered steps a result passes on its way; a crash is possible between any two of them. */
export type Step =
  | 'S1'
  | 'S2'
  | 'S3'
  | 'S4'
  | 'S5'
  | 'S6'
  | 'S7'
  | 'S8'
  | 'S9'
  | 'S10'
  | 'S11'
  | 'S12'
  | 'S13'
  | 'S14';

const channel = diagnostics.channel('drumline:step');

/**
 * Says that a step was reached: S1 bytes received, S2 bytes stored, S3 bundle row committed, S4 source
 * acknowledged, S5 parsed and checked, S6 result and delivery rows committed, S7 doorbell rung, S8 claim
 * taken, S9 attempt row committed, S10 first byte out, S11 last byte out, S12 answer read, S13 outcome
 * committed, S14 audit entry written. Nothing listens in production; the fault suite preloads a listener
 * that kills the process there.
 */
export function step(name: Step): void {
  if (channel.hasSubscribers) channel.publish(name);
}
