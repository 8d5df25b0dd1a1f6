import type { Command } from 'commander';

type Register = (program: Command) => void;

/**
 * The commands of each module, in the order of the help. Only the one that is asked for is loaded: all of them together
 * load most of the service, which takes the better part of a second.
 */
export const MODULES: readonly (readonly [
  names: readonly string[],
  load: () => Promise<Register>,
])[] = [
  [['serve'], async () => (await import('./serve.command.js')).registerServe],
  [['work'], async () => (await import('./work.command.js')).registerWork],
  [['demo'], async () => (await import('./demo.command.js')).registerDemo],
  [['expect'], async () => (await import('./expect.command.js')).registerExpect],
  [['pack'], async () => (await import('./pack.command.js')).registerPack],
  [['check'], async () => (await import('./check.command.js')).registerCheck],
  [['convert'], async () => (await import('./convert.command.js')).registerConvert],
  [['mapping'], async () => (await import('./mapping.command.js')).registerMapping],
  [['decision'], async () => (await import('./decision.command.js')).registerDecision],
  [['method'], async () => (await import('./method.command.js')).registerMethod],
  [['receipt'], async () => (await import('./receipt.command.js')).registerReceipt],
  [['reconcile'], async () => (await import('./reconcile.command.js')).registerReconcile],
  [['period'], async () => (await import('./period.command.js')).registerPeriod],
  [['backup', 'restore'], async () => (await import('./backup.command.js')).registerBackup],
  [['resume'], async () => (await import('./resume.command.js')).registerResume],
  [['recompute'], async () => (await import('./recompute.command.js')).registerRecompute],
  [['statement'], async () => (await import('./statement.command.js')).registerStatement],
  [['sweep'], async () => (await import('./sweep.command.js')).registerSweep],
  [['destination'], async () => (await import('./destination.command.js')).registerDestination],
  [['delivery'], async () => (await import('./delivery.command.js')).registerDelivery],
  [['review'], async () => (await import('./review.command.js')).registerReview],
  [['sampling'], async () => (await import('./sampling.command.js')).registerSampling],
  [
    ['receipt-review'],
    async () => (await import('./receipt-review.command.js')).registerReceiptReview,
  ],
  [['stop'], async () => (await import('./stop.command.js')).registerStop],
  [['cause'], async () => (await import('./cause.command.js')).registerCause],
  [['performance'], async () => (await import('./performance.command.js')).registerPerformance],
  [['trace'], async () => (await import('./trace.command.js')).registerTrace],
  [['key'], async () => (await import('./key.command.js')).registerKey],
  [['user'], async () => (await import('./user.command.js')).registerUser],
  [['audit'], async () => (await import('./audit.command.js')).registerAudit],
];
