/** What a file system says, in words; codes of POSIX. */
const FILE_REASONS: Readonly<Record<string, string>> = {
  ENOENT: 'there is no such file or folder',
  EACCES: 'this user may not read or write it',
  EPERM: 'this user may not read or write it',
  EROFS: 'the disk is read-only',
  EISDIR: 'a file is expected here, this is a folder',
  ENOTDIR: 'a folder is expected here, part of the path is a file',
  EEXIST: 'a folder is expected here, this is a file',
  ENOSPC: 'the disk is full',
  EMFILE: 'too many files are open',
};

/** What SQLite says when the data folder is not this user's to write. */
const DATABASE_REASONS: readonly (readonly [RegExp, string])[] = [
  [
    /^SQLITE_(READONLY|CANTOPEN|PERM)/,
    'this user may not write it; run the command as the user who runs the gateway',
  ],
  [/^SQLITE_NOTADB/, 'the file is no database of Drumline'],
  [/^SQLITE_FULL/, 'the disk is full'],
];

/**
 * One sentence for an error that the person at the terminal can put right: a path that is wrong, closed to
 * this user or full. null for everything else, which is a surprise and keeps its stack.
 */
export function describeFileFault(error: unknown): string | null {
  if (!(error instanceof Error) || !('code' in error) || typeof error.code !== 'string')
    return null;
  const { code } = error;
  if ('path' in error && typeof error.path === 'string') {
    const reason = FILE_REASONS[code];
    return reason === undefined ? null : `${error.path}: ${reason} (${code})`;
  }
  if (code === 'EISDIR') return `${FILE_REASONS['EISDIR']} (${code})`;
  const database = DATABASE_REASONS.find(([pattern]) => pattern.test(code));
  return database === undefined
    ? null
    : `the database in the data folder: ${database[1]} (${code})`;
}

/** Why a file named on the command line cannot be read, its name first. */
export function unreadableFile(file: string, error: unknown): string {
  const code = error instanceof Error && 'code' in error ? String(error.code) : '';
  const reason = FILE_REASONS[code];
  if (reason !== undefined) return `${file}: ${reason} (${code})`;
  return `${file}: ${error instanceof Error ? error.message : String(error)}`;
}
