import { dropServerDatabases, whyAbsent } from './postgres-server.js';

/** After a run on PostgreSQL: nothing of it stays on the server. */
export default function setup(): () => Promise<void> {
  return async () => {
    if ((await whyAbsent()) === null) await dropServerDatabases(process.pid);
  };
}
