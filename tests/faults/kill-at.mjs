// Preloaded into the gateway by the fault suite (`node --import`): ends the process, as SIGKILL does, the
// nth time it reaches a step.
import diagnostics from 'node:diagnostics_channel';

const at = process.env.FAULT_KILL_AT;
const nth = Number(process.env.FAULT_KILL_NTH ?? '1');
let reached = 0;

if (at) {
  diagnostics.subscribe('drumline:step', (step) => {
    if (step !== at) return;
    reached += 1;
    if (reached === nth) process.kill(process.pid, 'SIGKILL');
  });
}
