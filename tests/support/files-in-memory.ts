import { existsSync, statfsSync } from 'node:fs';

const MEMORY = '/dev/shm';
const TMPFS = 0x0102_1994;
const ROOM_MIN = 2 * 1024 ** 3;

/**
 * What tests write lasts as long as they do: where there is room in memory, and nobody named another folder by TMPDIR,
 * none of them waits for a disk. For this process and those it starts.
 */
export function keepFilesInMemory(): void {
  if (process.env['TMPDIR'] !== undefined || !existsSync(MEMORY)) return;
  const { type, bavail, bsize } = statfsSync(MEMORY);
  if (type === TMPFS && bavail * bsize >= ROOM_MIN) process.env['TMPDIR'] = MEMORY;
}
