import 'reflect-metadata';
import { readFileSync } from 'node:fs';
import { Command } from 'commander';
import { Misconfigured } from '../errors.js';
import { registerAudit } from './audit.command.js';
import { registerBackup } from './backup.command.js';
import { registerCause } from './cause.command.js';
import { registerCheck } from './check.command.js';
import { registerConvert } from './convert.command.js';
import { registerDecision } from './decision.command.js';
import { registerDelivery } from './delivery.command.js';
import { registerDemo } from './demo.command.js';
import { registerDestination } from './destination.command.js';
import { registerExpect } from './expect.command.js';
import { describeFileFault } from './file-fault.js';
import { registerKey } from './key.command.js';
import { registerMapping } from './mapping.command.js';
import { registerMethod } from './method.command.js';
import { EXIT, progress } from './output.js';
import { registerPack } from './pack.command.js';
import { registerPerformance } from './performance.command.js';
import { registerPeriod } from './period.command.js';
import { registerReceipt } from './receipt.command.js';
import { registerReceiptReview } from './receipt-review.command.js';
import { registerRecompute } from './recompute.command.js';
import { registerReconcile } from './reconcile.command.js';
import { registerResume } from './resume.command.js';
import { registerReview } from './review.command.js';
import { registerSampling } from './sampling.command.js';
import { registerServe } from './serve.command.js';
import { registerStatement } from './statement.command.js';
import { registerStop } from './stop.command.js';
import { registerSweep } from './sweep.command.js';
import { registerTrace } from './trace.command.js';
import { registerUser } from './user.command.js';
import { registerWork } from './work.command.js';

const program = new Command('drumline')
  .description(
    'Takes Raman identity results from the receiving dock to LIMS and ERP and proves that they arrived.\nDrumline reports; the quality unit releases.',
  )
  .version(packageVersion())
  .exitOverride()
  .configureHelp({ showGlobalOptions: true });

registerServe(program);
registerWork(program);
registerDemo(program);
registerExpect(program);
registerPack(program);
registerCheck(program);
registerConvert(program);
registerMapping(program);
registerDecision(program);
registerMethod(program);
registerReceipt(program);
registerReconcile(program);
registerPeriod(program);
registerBackup(program);
registerResume(program);
registerRecompute(program);
registerStatement(program);
registerSweep(program);
registerDestination(program);
registerDelivery(program);
registerReview(program);
registerSampling(program);
registerReceiptReview(program);
registerStop(program);
registerCause(program);
registerPerformance(program);
registerTrace(program);
registerKey(program);
registerUser(program);
registerAudit(program);

try {
  await program.parseAsync();
} catch (error) {
  process.exitCode = exitFor(error);
}

function packageVersion(): string {
  const file = new URL('../../package.json', import.meta.url);
  return (JSON.parse(readFileSync(file, 'utf8')) as { version: string }).version;
}

/** Commander prints its own usage errors; what is left is said in one sentence. */
function exitFor(error: unknown): number {
  if (error instanceof Error && 'exitCode' in error && 'code' in error) {
    return error.exitCode === 0 ? EXIT.fine : EXIT.usage;
  }
  if (error instanceof Misconfigured) {
    progress(`${error.code}: ${error.message}`);
    return EXIT.usage;
  }
  const fault = describeFileFault(error);
  if (fault !== null) {
    progress(fault);
    return EXIT.usage;
  }
  progress(error instanceof Error ? (error.stack ?? error.message) : String(error));
  return EXIT.problems;
}
