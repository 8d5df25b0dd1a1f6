// Preloaded into the gateway by the fault suites (`node --import`): ends the process, as SIGKILL does, the nth
// time it reaches a step. Which step is said in the environment at the start, or in a message at any time.
import diagnostics from 'node:diagnostics_channel';
import { isMainThread } from 'node:worker_threads';

let at = process.env.FAULT_KILL_AT;
let left = Number(process.env.FAULT_KILL_NTH ?? '1');

diagnostics.subscribe('drumline:step', (step) => {
  if (step !== at) return;
  left -= 1;
  if (left === 0) process.kill(process.pid, 'SIGKILL');
});

// Said to this process alone: one that it starts itself has a channel of its own, for other things.
const hasChannel = isMainThread && process.env.FAULT_KILL_CHANNEL === 'yes';
delete process.env.FAULT_KILL_CHANNEL;
if (hasChannel) {
  process.on('message', ({ killAt, nth }) => {
    at = killAt ?? undefined;
    left = nth ?? 1;
    if (at === undefined) process.send('disarmed');
  });
  // A process must still be able to end by itself.
  process.channel.unref();
}
