import { execFileSync } from 'node:child_process';
import { existsSync } from 'node:fs';
import { PostgresCluster, postgresPrograms } from './postgres-cluster.js';

const LIBRARIES = ['x86_64-linux-gnu', 'aarch64-linux-gnu'].map(
  (machine) => `/usr/lib/${machine}/faketime/libfaketimeMT.so.1`,
);

/** What a run of many seeds shares, and what this machine cannot do. */
export interface FaultPlace {
  readonly cluster: PostgresCluster;
  /** Library that moves clocks; null where it is absent. */
  readonly fakeTime: string | null;
  /** Kinds of fault that cannot be injected here, with the reason. */
  readonly impossible: ReadonlyMap<string, string>;
}

/** Programs the harness cannot do without and that are absent, by name. */
export function missingPrograms(): string[] {
  const missing: string[] = [];
  if (postgresPrograms() === null) missing.push('initdb and pg_ctl (PostgreSQL server programs)');
  try {
    execFileSync('redis-server', ['--version'], { stdio: 'ignore' });
  } catch {
    missing.push('redis-server');
  }
  return missing;
}

/** @throws Error when a library is absent that `CI=true` requires. */
export async function openFaultPlace(logFile: string): Promise<FaultPlace> {
  const programs = postgresPrograms();
  if (programs === null) throw new Error('PostgreSQL server programs are absent');
  const impossible = new Map<string, string>();
  const fakeTime = LIBRARIES.find((path) => existsSync(path)) ?? null;
  if (fakeTime === null) {
    if (process.env['CI'] === 'true') {
      throw new Error('libfaketime is absent, and CI=true requires it (Debian package faketime)');
    }
    for (const kind of ['clock-worker', 'clock-database']) {
      impossible.set(kind, 'libfaketime is absent (Debian package faketime)');
    }
  }
  const cluster = await PostgresCluster.create({ programs, fakeTime, logFile });
  if (cluster.whyNoSmallDisk !== null) impossible.set('disk-full', cluster.whyNoSmallDisk);
  return { cluster, fakeTime, impossible };
}
