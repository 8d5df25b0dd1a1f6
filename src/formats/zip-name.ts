import { ZIP_NAME_BYTES_MAX } from './zip.js';

/** Names that one system or another takes for a device, with any ending (common knowledge, no source). */
const DEVICE = /^(?:con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(?:\.|$)/i;
const UNSEEN = /[\p{Cc}\p{Cf}\p{Zl}\p{Zp}\p{Cs}]/u;

/**
 * Says why a name may not stand in a bundle; null when it may. Names are never used as paths here, but whoever
 * unpacks the stored bytes will.
 */
export function zipNameFault(name: string): string | null {
  const bytes = Buffer.byteLength(name);
  if (bytes === 0) return 'expected a name, found none';
  if (bytes > ZIP_NAME_BYTES_MAX) {
    return `expected a name of at most ${ZIP_NAME_BYTES_MAX} bytes, found ${bytes}`;
  }
  if (UNSEEN.test(name)) return 'the name holds a control character';
  if (name.includes('\\')) return 'the name holds a backslash; folders are separated by /';
  if (name.startsWith('/')) return 'the name is absolute';
  if (/^[A-Za-z]:/.test(name)) return 'the name begins with a drive letter';
  if (name.includes(':')) return 'the name holds a colon';
  for (const part of name.split('/')) {
    if (part === '') return 'the name holds an empty part';
    if (part === '.' || part === '..') return `the name holds the part ${part}`;
    if (/[. ]$/.test(part) || part.startsWith(' ')) {
      return 'a part of the name begins with a blank, or ends in a blank or a dot';
    }
    if (DEVICE.test(part)) return `the part ${part} of the name is a device of some systems`;
  }
  return null;
}

/** Equal for names that a file system somewhere would take for one. */
export function foldedName(name: string): string {
  return name.normalize('NFC').toUpperCase().toLowerCase().normalize('NFC');
}
