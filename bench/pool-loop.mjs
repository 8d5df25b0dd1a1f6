// What sending costs at least: a connection pool and a loop.
import { Pool } from 'undici';
import { answerParent, now } from './child.mjs';
import { bodyOf } from './message.mjs';

let pool;
let connections = 1;

answerParent({
  open: (to) => {
    connections = to.connections;
    pool = new Pool(to.sinkUrl, { connections, pipelining: 1 });
  },
  run: async ({ messages, bodyBytes, round }) => {
    const bodies = Array.from({ length: messages }, (_, i) =>
      bodyOf(`loop-${round}-${i}`, bodyBytes),
    );
    const startedAt = now();
    let next = 0;
    const send = async () => {
      while (next < bodies.length) {
        const body = bodies[next];
        next += 1;
        const answer = await pool.request({
          method: 'POST',
          path: '/api/identity-results',
          headers: { 'content-type': 'application/json', authorization: 'Bearer simulated' },
          body,
        });
        await answer.body.json();
        if (answer.statusCode !== 201) throw new Error(`answered ${answer.statusCode}`);
      }
    };
    await Promise.all(Array.from({ length: connections }, send));
    return now() - startedAt;
  },
});
