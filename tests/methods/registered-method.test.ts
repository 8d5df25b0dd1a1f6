import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { addMs, type Instant } from '../../src/formats/instant.js';
import {
  changedMembers,
  contentOf,
  isSameContent,
  judgedMethod,
  listedDates,
  type MethodEvent,
  type RegisteredVersion,
} from '../../src/methods/registered-method.js';
import { isApproved, isInvalidated, whyNotInForce } from '../../src/site/method-force.js';
import type { DecisionRecord } from '../../src/site/site-folder.js';
import { site, time } from '../statements/conforming-facts.js';

const [method] = site.methods;
if (!method) throw new Error('the invented site has a method');
const version: RegisteredVersion = {
  content: contentOf(method),
  contentDigest: method.contentDigest,
  source: 'api',
  siteFolder: null,
  proposal: { effectiveFrom: null, beside: [], supersedes: [] },
  proposedBy: 'ada',
  proposedAt: time('08:00'),
};
const listed = (at: Instant, over = {}): MethodEvent => ({
  kind: 'listed',
  at,
  dates: { ...listedDates(method, site.decisions), ...over },
});
const approved = (at: Instant): MethodEvent => ({
  kind: 'approved',
  at,
  effectiveFrom: at,
  signatureId: 'S-1',
});
const HOLDS = new Set(['S-1']);

describe('a registered version', () => {
  it('is judged by once the folder lists it, or a signature that holds approves it', () => {
    expect(judgedMethod(version, [], null, HOLDS)).toBeNull();
    expect(judgedMethod(version, [listed(time('08:00'))], null, HOLDS)).toEqual(method);
    const events = [approved(time('09:00'))];
    expect(judgedMethod(version, events, null, new Set())).toBeNull();
    const judged = judgedMethod(version, events, null, HOLDS);
    expect(judged?.force?.effectiveFrom).toBe(time('09:00'));
    expect(judged?.approvals).toEqual([
      {
        material: 'NQ-1001',
        decision: 'S-1',
        effectiveFrom: time('09:00'),
        isSignature: true,
      },
    ]);
  });

  it('has the approvals of the latest folder that lists it', () => {
    const events = [listed(time('08:00')), listed(time('09:00'), { approvals: [] })];
    expect(judgedMethod(version, events, null, HOLDS)?.approvals).toEqual([]);
  });

  it('is declared not recomputable by the latest folder that lists it, and by no other', () => {
    const declared = listed(time('08:00'), { notRecomputable: 'D-010' });
    const judged = judgedMethod(version, [declared], null, HOLDS);
    expect(judged?.notRecomputable).toBe('D-010');
    expect(judged?.contentDigest).toBe(method.contentDigest);
    const events = [declared, listed(time('09:00'))];
    expect(judgedMethod(version, events, null, HOLDS)?.notRecomputable).toBeUndefined();
    expect(contentOf({ ...method, notRecomputable: 'D-010' })).toEqual(contentOf(method));
    const decision = { ...site.decisions[0], id: 'D-010' } as DecisionRecord;
    const dates = listedDates({ ...method, notRecomputable: 'D-010' }, [
      ...site.decisions,
      decision,
    ]);
    expect(dates.decisions).toContain(decision);
  });

  it('is declared so by its proposal once it is approved, until a folder lists it and says so itself', () => {
    const dates = { effectiveFrom: null, beside: [], supersedes: [], notRecomputable: 'D-010' };
    const proposed = { ...version, proposal: dates };
    const events = [approved(time('09:00'))];
    expect(judgedMethod(proposed, events, null, new Set())).toBeNull();
    expect(judgedMethod(proposed, events, null, HOLDS)?.notRecomputable).toBe('D-010');
    const judged = judgedMethod(proposed, [...events, listed(time('10:00'))], null, HOLDS);
    expect(judged?.notRecomputable).toBeUndefined();
  });

  it('stays in force without the folder when a signature approved it', () => {
    const left: MethodEvent = { kind: 'left', at: time('10:00') };
    const alone = judgedMethod(version, [listed(time('08:00')), left], null, HOLDS);
    expect(alone?.force?.absent).toEqual([{ from: time('10:00'), to: null }]);
    const signed = [listed(time('08:00')), approved(time('09:00')), left];
    expect(judgedMethod(version, signed, null, HOLDS)?.force?.absent ?? []).toEqual([]);
  });

  it('is brought back by a signature from then on, and never for the time before', () => {
    const left: MethodEvent = { kind: 'left', at: time('09:00') };
    const events = [listed(time('08:00')), left, approved(time('10:00'))];
    const judged = judgedMethod(version, events, null, HOLDS);
    if (judged === null) throw new Error('it was listed');
    const at = (text: string) => ({ from: time(text), to: time(text) });
    const why = ['08:30', '09:30', '11:00'].map((text) => whyNotInForce(judged, at(text)));
    expect(why).toEqual([null, expect.stringContaining('was not in the site folder'), null]);
  });

  it('is approved by the folder while that lists it, and for what the signature names afterwards', () => {
    const other = { material: 'NQ-OTHER', decision: 'D-003' };
    const own = { material: method.approvals[0]?.material ?? '', decision: 'D-003' };
    const dates = { approvals: [own, other] };
    const events: MethodEvent[] = [
      listed(time('07:00'), dates),
      { kind: 'left', at: time('08:00') },
      listed(time('09:00'), dates),
      { kind: 'left', at: time('10:00') },
      approved(time('11:00')),
    ];
    const judged = judgedMethod(version, events, null, HOLDS);
    if (judged === null) throw new Error('it was listed');
    const isApprovedAt = (material: string) =>
      ['07:30', '08:30', '09:30', '10:30', '11:30'].map((text) =>
        isApproved(judged, material, { from: time(text), to: time(text) }),
      );
    expect(isApprovedAt('NQ-OTHER')).toEqual([true, false, true, false, false]);
    expect(isApprovedAt(own.material)).toEqual([true, false, true, false, true]);
    // Without a signature that holds, the folder alone says when it is in force.
    const alone = judgedMethod(version, events, null, new Set());
    expect(alone?.approvals).toEqual([own, other]);
  });

  it('says what differs, and takes neither a title nor a member that is null for content', () => {
    const a = contentOf(method);
    expect(isSameContent(a, { ...a, title: 'Another title' })).toBe(true);
    expect(isSameContent(a, { ...a, margin: null } as never)).toBe(true);
    expect(isSameContent(a, { ...a, gridStep: '2' as never })).toBe(false);
    expect(changedMembers(a, { ...a, gridStep: '2' as never, title: 'x' })).toEqual(['/gridStep']);
  });

  it('never comes back, whatever happens after it was retired or found wrong', () => {
    const moment = fc.integer({ min: 0, max: 86_400_000 }).map((ms) => addMs(time('00:00'), ms));
    const event: fc.Arbitrary<MethodEvent> = fc.oneof(
      moment.map((at) => listed(at)),
      fc.tuple(moment, moment).map(([at, retiredAt]) => listed(at, { retiredAt })),
      moment.map((at): MethodEvent => ({ kind: 'left', at })),
      moment.map(approved),
    );
    const end: fc.Arbitrary<MethodEvent> = fc.oneof(
      moment.map((at): MethodEvent => ({ kind: 'invalidated', at, signatureId: 'S-2' })),
      moment.map((at): MethodEvent => ({ kind: 'retired', at, retiredAt: at, signatureId: 'S-2' })),
    );
    fc.assert(
      fc.property(
        fc.array(event, { maxLength: 5 }),
        end,
        fc.array(event, { maxLength: 5 }),
        moment,
        (before, ending, after, when) => {
          const events = [listed(time('00:00')), ...before, ending, ...after];
          // Void signatures of what ends a version change nothing either.
          const judged = judgedMethod(version, events, null, HOLDS);
          if (judged === null) throw new Error('it was listed');
          if (ending.kind === 'invalidated') expect(isInvalidated(judged)).toBe(true);
          else if (when >= ending.at) {
            expect(whyNotInForce(judged, { from: when, to: when })).not.toBeNull();
          }
        },
      ),
    );
  });
});
