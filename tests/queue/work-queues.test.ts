import { InProcessQueue } from '../../src/queue/in-process.queue.js';
import { describeWorkQueue } from './work-queue-conformance.js';

/** A new implementation is a new row. */
describeWorkQueue('the in-process queue', {
  open: async (clock, onError) => new InProcessQueue(clock, onError),
});
