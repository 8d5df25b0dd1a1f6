// Preloaded into a process that opens a SQLite database (`node --import`): ends it, as SIGKILL does, when it
// is about to run a statement that begins with this text.
import Database from 'better-sqlite3';

const at = process.env.FAULT_KILL_AT_STATEMENT;

const { prepare } = Database.prototype;
Database.prototype.prepare = function prepareOrDie(text) {
  if (at && text.startsWith(at)) process.kill(process.pid, 'SIGKILL');
  return prepare.call(this, text);
};
