import { describe, expect, test } from 'vitest';
import { inPlainWords } from '../../src/dashboard/plain-text.js';

describe('a text of a statement, for people', () => {
  test('says codes by their titles, wherever a reason begins', () => {
    expect(inPlainWords('coverage: D-1 is open; recheck: disagrees', 'Europe/London')).toBe(
      'Required containers covered: D-1 is open; Recheck of score and decision: disagrees',
    );
  });

  test('leaves a code alone that is part of a sentence', () => {
    const text = 'the recheck disagrees with result coverage-1';
    expect(inPlainWords(text, 'Europe/London')).toBe(text);
  });

  test('tells instants by the clock of the site, winter and summer', () => {
    expect(inPlainWords('since 2026-01-05T12:00:00.000000Z', 'Europe/London')).toBe(
      'since 2026-01-05 12:00:00 UTC+00:00',
    );
    expect(inPlainWords('since 2026-07-05T12:00:00.000000Z', 'Europe/London')).toBe(
      'since 2026-07-05 13:00:00 UTC+01:00',
    );
  });

  test('leaves a time as somebody reported it', () => {
    const text = 'measured 2026-07-05T12:00:00+01:00';
    expect(inPlainWords(text, 'Europe/London')).toBe(text);
  });
});
