const UNITS: Readonly<Record<string, number>> = {
  s: 1000,
  m: 60_000,
  h: 3_600_000,
  d: 24 * 3_600_000,
};

/** Milliseconds of a time as it is typed: `90s`, `30m`, `24h`, `7d`, or `0`; null for anything else. */
export function readDuration(text: string): number | null {
  if (text === '0') return 0;
  const match = /^(\d{1,6})([smhd])$/.exec(text);
  const unit = match ? UNITS[match[2] ?? ''] : undefined;
  return match && unit !== undefined ? Number(match[1]) * unit : null;
}
