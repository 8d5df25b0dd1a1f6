import { describe, expect, it } from 'vitest';
import { dateStamp, readDateStamp } from '../../src/formats/date-stamp.js';
import { formatInstant, parseTimestamp } from '../../src/formats/instant.js';

function stampOf(text: string): string {
  const parsed = parseTimestamp(text);
  if (parsed === null) throw new Error(text);
  return dateStamp(parsed);
}

describe('the date stamp of E1947', () => {
  // The first is a published sample (open test data of an MIT-licensed ANDI reader).
  it.each([
    ['2023-09-08T20:05:01+02:00', '20230908200501+0200', '2023-09-08T18:05:01.000000Z'],
    ['2026-03-04T09:15:30.999Z', '20260304091530+0000', '2026-03-04T09:15:30.000000Z'],
    ['2026-03-04T00:15:30+05:45', '20260304001530+0545', '2026-03-03T18:30:30.000000Z'],
    ['2026-12-31T23:59:59-03:30', '20261231235959-0330', '2027-01-01T03:29:59.000000Z'],
    ['1969-12-31T23:59:59.5Z', '19691231235959+0000', '1969-12-31T23:59:59.000000Z'],
  ])('of %s is %s', (timestamp, stamp, utc) => {
    expect(stampOf(timestamp)).toBe(stamp);
    const read = readDateStamp(stamp);
    expect(read && formatInstant(read.instant)).toBe(utc);
  });

  it.each([
    '20230908200501Z',
    '20230908200501',
    '20230931200501+0200',
    '2023-09-08T20:05:01+02:00',
    '20230908200501+1900',
    '',
  ])('is refused as %j', (stamp) => {
    expect(readDateStamp(stamp)).toBeNull();
  });
});
