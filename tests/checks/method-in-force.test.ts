import { describe, expect, it } from 'vitest';
import type { Instrument, MethodForce, SiteFolder } from '../../src/site/site-folder.js';
import {
  at,
  examineParts,
  findingsOf,
  goodParts,
  goodResult,
  placesOfResult,
  SITE,
} from './fixture.js';

const NO_LIMITS: MethodForce = {
  effectiveFrom: null,
  retiredAt: null,
  invalidatedAt: null,
  invalidation: null,
  absent: [],
  beside: [],
};
const NOON = at('2026-07-01T11:00:00Z');

function siteWith(force: Partial<MethodForce>): SiteFolder {
  const [first, ...rest] = SITE.methods;
  if (!first) throw new Error('the fixture has a method');
  return { ...SITE, methods: [{ ...first, force: { ...NO_LIMITS, ...force } }, ...rest] };
}

function siteWithInstrument(over: Partial<Instrument>): SiteFolder {
  return {
    ...SITE,
    instruments: SITE.instruments.map((i) => (i.serial === 'I-1' ? { ...i, ...over } : i)),
  };
}

describe('a result by a version of a method', () => {
  const before = { measuredAt: '2026-07-01T11:30:00+01:00' };
  const after = { measuredAt: '2026-07-01T12:00:00+01:00' };

  it('that was retired is held when it was measured afterwards, and only then', () => {
    const retired = siteWith({ retiredAt: NOON });
    expect(placesOfResult(before, retired)).toEqual([]);
    expect(placesOfResult(after, retired)).toEqual(['method-not-in-force /results/0/method']);
  });

  it('that begins later is held, and told what was in force', () => {
    const later = siteWith({ effectiveFrom: NOON });
    expect(placesOfResult(after, later)).toEqual([]);
    const examination = examineParts(goodParts([goodResult(1, before)]), later);
    const [finding] = findingsOf(examination);
    expect(finding?.code).toBe('method-not-in-force');
    expect(finding?.message).toBe(
      'ID-M-1 version 1 is in force from 2026-07-01T11:00:00.000000Z on; measured at 2026-07-01T10:30:00.000000Z, in force then: no version',
    );
  });

  it('whose time has an assumed offset is held when another offset would make it another version', () => {
    const retired = siteWith({ retiredAt: NOON });
    const assumed = { ...before, timeSource: 'assumed' as const };
    expect(placesOfResult(assumed, retired)).toContain('method-not-in-force /results/0/method');
    expect(placesOfResult(assumed)).toEqual(['time-assumed /results/0/timeSource']);
  });

  it('that was found wrong is held, whenever it was measured', () => {
    const wrong = siteWith({ invalidatedAt: NOON, invalidation: 'D-9' });
    for (const over of [before, after]) {
      expect(placesOfResult(over, wrong)).toEqual(['method-invalidated /results/0/method']);
    }
  });

  it('whose approval had ended is not approved', () => {
    const [first, ...rest] = SITE.methods;
    if (!first) throw new Error('the fixture has a method');
    const approvals = [{ material: 'M-1', decision: 'D-003', endsAt: NOON }];
    const ended = { ...SITE, methods: [{ ...first, approvals }, ...rest] };
    expect(placesOfResult(before, ended)).toEqual([]);
    expect(placesOfResult(after, ended)).toEqual(['method-other-material /results/0/material']);
  });
});

describe('a result of an instrument', () => {
  it('measured before it was put into service, or while it was out of it, is held', () => {
    const place = ['instrument-not-in-service /results/0/measuredAt'];
    const over = { measuredAt: '2026-07-01T11:30:00+01:00' };
    expect(placesOfResult(over, siteWithInstrument({ inServiceSince: NOON }))).toEqual(place);
    const outOfService = [{ from: at('2026-07-01T10:00:00Z'), to: NOON, decision: 'D-9' }];
    expect(placesOfResult(over, siteWithInstrument({ outOfService }))).toEqual(place);
    const later = { measuredAt: '2026-07-01T12:00:00+01:00' };
    expect(placesOfResult(later, siteWithInstrument({ outOfService }))).toEqual([]);
  });
});
