import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { StoredMessage } from '../../src/simulation/books.js';
import { judge, type SinkVerdict } from '../../src/simulation/judge.js';
import type { DrumPhase, MeasuredResult, StoryReceipt } from '../../src/simulation/story.js';
import { add, goodWorld, type MutableBooks, swap, type World } from './support/world.js';

const CLEAN: SinkVerdict = { lost: 0, double: 0, outOfOrder: 0, different: 0, wrongRelease: 0 };

function verdict(world: World): SinkVerdict {
  return judge(world.truth, world.destinations()).sinks;
}

function booksOf(world: World, name: 'lims' | 'erp'): MutableBooks {
  return world[name];
}

const destination = fc.constantFrom('lims' as const, 'erp' as const);
/** Any entry of the good world's books; both destinations hold the same number. */
const position = fc.nat({ max: goodWorld().lims.messages.length - 1 });
const results = goodWorld().truth.measured.length;
const resultPosition = fc.nat({ max: results - 1 });

function inRevision({ content }: Pick<StoredMessage, 'content'>, n: number): string {
  const changed = content
    .replace('"revision":1', `"revision":${n}`)
    .replace('<Revision>1<', `<Revision>${n}<`);
  expect(changed).not.toBe(content);
  return changed;
}

/** An entry that came and took effect after all others. */
function extra(content: string, messageType: string): StoredMessage {
  const at = '2026-03-04T10:01:30.000000Z';
  const common = { key: null, state: null, applied: true, arrivedAt: at, appliedAt: at };
  const number = `extra-${content.length}-${messageType}`;
  return { ...common, number, reference: `${number}-${content}`, messageType, content };
}

function addWithdrawal(books: MutableBooks, content: string): void {
  books.messages.push(extra(content, 'withdrawal'));
}

/** What the truth says of each revision of the first result: whether it was taken back. */
function becameOfFirst(world: World, ...takenBack: readonly boolean[]): void {
  const first = world.truth.measured[0] as MeasuredResult;
  const { receiptId } = first;
  const revisions = takenBack.map((isTakenBack) => ({ receiptId, isTakenBack }));
  world.truth.measured[0] = { ...first, revisions };
}

describe('the judge', () => {
  it('finds nothing where nothing went wrong', () => {
    const judgement = judge(goodWorld().truth, goodWorld().destinations());
    expect(judgement).toEqual({
      sinks: CLEAN,
      doubles: { honours: 0, askable: 0, neither: 0 },
      findings: [],
    });
  });

  it('finds any entry that is missing', () => {
    fc.assert(
      fc.property(destination, position, (name, at) => {
        const world = goodWorld();
        const [gone] = booksOf(world, name).messages.splice(at, 1);
        const found = verdict(world);
        const isOvertaken =
          gone?.messageType === 'statement' && /"revision":1|Revision>1</.test(gone.content);
        // A revision that a higher one followed is no loss: the last word stands.
        if (isOvertaken) expect(found).toEqual(CLEAN);
        else expect(found.lost + found.different).toBeGreaterThan(0);
      }),
    );
  });

  it('finds any entry that is stored twice, under its own reference or another', () => {
    fc.assert(
      fc.property(destination, position, fc.boolean(), (name, at, isRenamed) => {
        const world = goodWorld();
        const books = booksOf(world, name);
        const original = books.messages[at] as StoredMessage;
        books.messages.push({
          ...original,
          number: 'again',
          reference: isRenamed ? 'another' : original.reference,
          applied: false,
        });
        expect(verdict(world)).toEqual({ ...CLEAN, double: 1 });
      }),
    );
  });

  it('finds a result that is there again under a revision that it never had', () => {
    fc.assert(
      fc.property(destination, resultPosition, fc.integer({ min: 2, max: 9 }), (name, at, n) => {
        const world = goodWorld();
        const books = booksOf(world, name);
        const original = books.messages[at] as StoredMessage;
        const content = inRevision(original, n);
        books.messages.push({ ...original, number: 'again', reference: 'another', content });
        const { sinks, doubles } = judge(world.truth, world.destinations());
        expect(sinks).toEqual({ ...CLEAN, double: 1 });
        expect(doubles[name === 'lims' ? 'askable' : 'honours']).toBe(1);
        // Instead of the first it is not the one that should be there, either.
        books.messages.splice(at, 1);
        expect(verdict(world)).toMatchObject({ double: 1, lost: 1, different: 0 });
      }),
    );
  });

  it('finds a withdrawal of a result that stands, or of none', () => {
    fc.assert(
      fc.property(destination, resultPosition, (name, at) => {
        const world = goodWorld();
        const books = booksOf(world, name);
        const { content } = books.messages[at] as StoredMessage;
        addWithdrawal(books, content);
        expect(verdict(world)).toEqual({ ...CLEAN, different: 1 });
        addWithdrawal(books, content.replace(/res-[a-z]+-\d/, 'res-invented'));
        expect(verdict(world)).toEqual({ ...CLEAN, different: 2 });
      }),
    );
  });

  it.each(['other', 'period', 'stop-escalation', 'Result', ''])(
    'finds a message of a type that nothing asks for: "%s"',
    (type) => {
      for (const name of ['lims', 'erp'] as const) {
        const world = goodWorld();
        const { content } = world[name].messages[0] as StoredMessage;
        world[name].messages.push(extra(content, type));
        expect(verdict(world), name).toEqual({ ...CLEAN, different: 1 });
      }
    },
  );

  it('finds nothing wrong in a result that was moved, withdrawn as it was, and sent as it is', () => {
    for (const name of ['lims', 'erp'] as const) {
      const world = goodWorld();
      const { content } = world[name].messages[0] as StoredMessage;
      becameOfFirst(world, true, false);
      const [judged] = world.destinations().filter((one) => one.name === name);
      const sinks = () => judge(world.truth, judged === undefined ? [] : [judged]).sinks;
      // Neither the withdrawal nor what it is now is there yet.
      expect(sinks()).toEqual({ ...CLEAN, lost: 2 });
      addWithdrawal(world[name], content);
      expect(sinks()).toEqual({ ...CLEAN, lost: 1 });
      const second = extra(inRevision({ content }, 2), 'result');
      world[name].messages.push(second);
      expect(sinks()).toEqual(CLEAN);
      addWithdrawal(world[name], second.content);
      expect(sinks()).toEqual({ ...CLEAN, different: 1 });
    }
  });

  it('expects a result that was taken back for good nowhere, and its withdrawal where it had come', () => {
    const world = goodWorld();
    becameOfFirst(world, true);
    const { content } = world.lims.messages[0] as StoredMessage;
    world.erp.messages.shift();
    const sinks = () => judge(world.truth, world.destinations()).sinks;
    expect(sinks()).toMatchObject({ lost: 1, different: 0, double: 0 });
    addWithdrawal(world.lims, content);
    expect(sinks()).toMatchObject({ lost: 0, different: 0, double: 0 });
  });

  it('finds a result behind its own withdrawal, and a withdrawal before its result', () => {
    for (const name of ['lims', 'erp'] as const) {
      const world = goodWorld();
      becameOfFirst(world, true, false);
      const books = world[name];
      const { content } = books.messages[0] as StoredMessage;
      const [judged] = world.destinations().filter((one) => one.name === name);
      const sinks = () => judge(world.truth, judged === undefined ? [] : [judged]).sinks;
      addWithdrawal(books, content);
      books.messages.push(extra(inRevision({ content }, 2), 'result'));
      expect(sinks()).toEqual(CLEAN);
      const late = (m: StoredMessage) => ({ ...m, appliedAt: '2026-03-04T10:02:00.000000Z' });
      const at = books.messages.length - 2;
      const onTime = books.messages[at] as StoredMessage;
      // What it is now took effect before what it was had been taken back.
      books.messages[at] = late(onTime);
      expect(sinks()).toEqual({ ...CLEAN, outOfOrder: 1 });
      books.messages[at] = onTime;
      // What it was took effect behind its withdrawal, and behind what it is now.
      books.messages[0] = late(books.messages[0] as StoredMessage);
      expect(sinks()).toEqual({ ...CLEAN, outOfOrder: 1 });
    }
  });

  it('finds a lower revision behind a higher one though an entry without one came between', () => {
    const world = goodWorld();
    const [first, second] = [results, results + 1].map((i) => world.erp.messages[i]);
    if (!first || !second) throw new Error('the world has statements');
    swap(world.erp, results, results + 1);
    const content = first.content.replace(/<Revision>[^<]*<\/Revision>/, '');
    const between = { ...extra(content, 'statement'), appliedAt: second.appliedAt };
    world.erp.messages.splice(results + 1, 0, between);
    expect(verdict(world)).toMatchObject({ outOfOrder: 1, different: 1 });
  });

  it('finds a stop under the revision of a statement, and the other way round', () => {
    for (const [type, other] of [
      ['statement', 'stop'],
      ['stop', 'statement'],
    ] as const) {
      for (const name of ['lims', 'erp'] as const) {
        const world = goodWorld();
        const books = world[name];
        const at = books.messages.length - 1;
        const last = { ...(books.messages[at] as StoredMessage), messageType: type };
        books.messages[at] = last;
        expect(verdict(world), type).toEqual(CLEAN);
        books.messages.push({ ...extra(last.content, other), applied: false });
        expect(verdict(world), type).toEqual({ ...CLEAN, double: 1 });
      }
    }
  });

  it('compares each revision with the receipt that it belonged to', () => {
    const world = goodWorld();
    const [lims] = world.destinations();
    if (!lims) throw new Error('the world has a LIMS');
    const receipt = { leaf: 'receiptId', truth: (r: MeasuredResult) => r.receiptId } as const;
    const fields = { ...lims.fields, held: [{ ...receipt, as: 'text' as const }] };
    const results = world.lims.messages.filter((m) => m.messageType === 'result');
    for (const [i, message] of results.entries()) {
      const { receiptId } = world.truth.measured[i] as MeasuredResult;
      const content = message.content.replace('{', `{"receiptId":"${receiptId}",`);
      world.lims.messages[i] = { ...message, content };
    }
    const sinks = () => judge(world.truth, [{ ...lims, fields }]).sinks;
    expect(sinks()).toEqual(CLEAN);
    const first = world.truth.measured[0] as MeasuredResult;
    world.truth.measured[0] = {
      ...first,
      revisions: [
        { receiptId: first.receiptId, isTakenBack: true },
        { receiptId: 'late', isTakenBack: false },
      ],
    };
    const { content } = world.lims.messages[0] as StoredMessage;
    addWithdrawal(world.lims, content);
    const anew = inRevision({ content }, 2);
    world.lims.messages.push(extra(anew.replace('"good"', '"late"'), 'result'));
    expect(sinks()).toEqual(CLEAN);
    world.lims.messages.pop();
    world.lims.messages.push(extra(anew, 'result'));
    expect(sinks()).toEqual({ ...CLEAN, different: 1 });
  });

  it('finds any digit or letter that was changed in a held field', () => {
    const fields = {
      lims: ['container', 'decision', 'score', 'measuredAt'],
      erp: ['Container', 'Decision', 'Score'],
    };
    fc.assert(
      fc.property(destination, resultPosition, fc.nat(3), (name, at, pick) => {
        const world = goodWorld();
        const books = booksOf(world, name);
        const leaf = fields[name][pick % fields[name].length] as string;
        const message = books.messages[at] as StoredMessage;
        const content =
          name === 'lims'
            ? message.content.replace(new RegExp(`("${leaf}":")[^"]*`), '$12026-01-01T00:00:00Z')
            : message.content.replace(new RegExp(`(<${leaf}>)[^<]*`), '$10.5');
        expect(content).not.toBe(message.content);
        books.messages[at] = { ...message, content };
        expect(verdict(world)).toEqual({ ...CLEAN, different: 1 });
      }),
    );
  });

  it('takes a score with other trailing zeros and a time in another offset for the same', () => {
    const world = goodWorld();
    const message = world.lims.messages[0] as StoredMessage;
    world.lims.messages[0] = {
      ...message,
      content: message.content
        .replace('"0.9930"', '0.993')
        .replace('10:00:10.250+00:00', '11:00:10.25+01:00'),
    };
    expect(verdict(world)).toEqual(CLEAN);
  });

  it('finds an entry of a result that was held, lost or never measured', () => {
    for (const fate of ['spoilt', 'lost', 'unsynced'] as const) {
      const world = goodWorld();
      const result = world.truth.measured[0];
      if (result) result.fate = fate;
      expect(verdict(world).different, fate).toBe(2);
    }
    const world = goodWorld();
    add(world.lims, 'result', { resultId: 'res-invented', revision: 1 });
    expect(verdict(world)).toEqual({ ...CLEAN, different: 1 });
  });

  it('expects a result that LIMS was declared to refuse at ERP only', () => {
    const world = goodWorld();
    const refused = goodWorld().truth.measured[3];
    world.truth.measured[3] = { ...(refused as NonNullable<typeof refused>), refusedByLims: true };
    expect(verdict(world).different).toBe(1);
    world.lims.messages.splice(3, 1);
    expect(verdict(world)).toEqual(CLEAN);
    world.erp.messages.splice(3, 1);
    expect(verdict(world)).toMatchObject({ lost: 1 });
  });

  it('finds a lower revision that took effect after a higher one', () => {
    fc.assert(
      fc.property(destination, fc.constantFrom(0, 1), (name, receipt) => {
        const world = goodWorld();
        const first = results + receipt * 2;
        swap(booksOf(world, name), first, first + 1);
        expect(verdict(world).outOfOrder).toBe(1);
      }),
    );
  });

  it('does not mind a lower revision that was kept and not applied', () => {
    const world = goodWorld();
    const first = results;
    swap(world.erp, first, first + 1);
    const late = world.erp.messages[first + 1] as StoredMessage;
    world.erp.messages[first + 1] = { ...late, applied: false, appliedAt: null };
    expect(verdict(world)).toEqual(CLEAN);
  });

  it('finds a permission that came before any of the results it rests on', () => {
    fc.assert(
      fc.property(destination, fc.nat(2), (name, at) => {
        const world = goodWorld();
        swap(booksOf(world, name), at, results + 1);
        expect(verdict(world).outOfOrder).toBeGreaterThan(0);
      }),
    );
  });

  it('finds a last word that says something else than the story', () => {
    const world = goodWorld();
    add(world.erp, 'statement', { Receipt: 'bad', Revision: '3', UsageDecision: 'USE-PERMITTED' });
    expect(verdict(world).different).toBe(1);
    const other = goodWorld();
    add(other.erp, 'statement', { Receipt: 'late', Revision: '1', UsageDecision: 'USE-PERMITTED' });
    expect(verdict(other).different).toBe(1);
  });

  it('counts every wrong container that was issued, also when its receipt was blocked later', () => {
    const world = goodWorld();
    world.erp.issues.push({
      event: 'issued',
      at: '2026-03-04T10:00:55.000000Z',
      // Before its contrary result was acknowledged, so that only what is inside counts.
      askedAt: '2026-03-04T10:00:05.000000Z',
      receiptId: 'bad',
      revision: 2,
      containers: ['bad-1', 'bad-2'],
    });
    // The drum, and the receipt, which never conforms.
    expect(verdict(world)).toEqual({ ...CLEAN, wrongRelease: 2 });
  });

  describe.each(['released', 'issued'] as const)('of what was %s', (event) => {
    const acted = (world: World, receiptId: string, containers: readonly string[], at = 45) => {
      const when = (n: number) => `2026-03-04T10:00:${n}.000000Z`;
      // Before any contrary result was acknowledged, so that only what is judged here counts.
      const deed = { at: when(at), askedAt: when(15), receiptId, revision: 2, containers };
      if (event === 'released') world.erp.releases.push({ event, ...deed });
      else world.erp.issues.push({ event, ...deed });
    };
    const expecting = (world: World, id: string, changes: Partial<StoryReceipt>) => ({
      ...world.truth,
      receipts: world.truth.receipts.map((r) => (r.id === id ? { ...r, ...changes } : r)),
    });

    it('counts a receipt that conforms at no time once, though its containers hold what they should', () => {
      for (const [id, containers] of [
        ['bad', ['bad-1']],
        ['late', ['late-1', 'late-2', 'late-3']],
      ] as const) {
        const world = goodWorld();
        acted(world, id, containers);
        acted(world, id, containers);
        expect(verdict(world), id).toEqual({ ...CLEAN, wrongRelease: 1 });
      }
    });

    it('lets be what was done before a receipt was stopped, or may have been', () => {
      for (const expectsStop of [true, 'either'] as const) {
        const world = goodWorld();
        acted(world, 'bad', ['bad-1']);
        const { sinks } = judge(expecting(world, 'bad', { expectsStop }), world.destinations());
        expect(sinks.wrongRelease, String(expectsStop)).toBe(0);
      }
    });

    it('counts a container by what it held then, and only once', () => {
      for (const [at, wrong] of [
        [45, 0],
        [47, 1],
      ] as const) {
        const world = goodWorld();
        const [state] = world.erp.receipts;
        if (state) state.usage = 'blocked';
        world.erp.issues.splice(0, 1);
        const phases = world.truth.drums.get('good-2') as DrumPhase[];
        phases.push({ from: '2026-03-04T10:00:46.000000Z', holds: 'sulfur' });
        acted(world, 'good', ['good-1', 'good-2'], at);
        acted(world, 'good', ['good-1', 'good-2'], at);
        expect(verdict(world), String(at)).toEqual({ ...CLEAN, wrongRelease: wrong });
      }
    });
  });

  it('counts a wrong container that stands released, and not one that is blocked', () => {
    for (const [usage, wrong] of [
      ['released', 1],
      ['blocked', 0],
      ['none', 0],
    ] as const) {
      const world = goodWorld();
      world.erp.receipts.push({
        receiptId: 'bad',
        revision: 2,
        usageDecision: 'USE-PERMITTED',
        usage,
        highestSeen: 2,
        releasedAt: '2026-03-04T10:00:40.000000Z',
        releasedContainers: ['bad-1', 'bad-2'],
        issuedContainers: [],
      });
      expect(verdict(world), usage).toEqual({ ...CLEAN, wrongRelease: wrong });
    }
  });

  it('goes by what a drum held when it was issued', () => {
    const late = goodWorld();
    const held = late.erp.receipts[0];
    if (held) held.usage = 'blocked';
    const change = (world: World, from: string): void => {
      const phases = world.truth.drums.get('good-2') as { from: string; holds: 'sulfur' }[];
      phases.push({ from, holds: 'sulfur' });
    };
    change(late, '2026-03-04T10:00:51.000000Z');
    expect(verdict(late)).toEqual(CLEAN);
    const early = goodWorld();
    change(early, '2026-03-04T10:00:45.000000Z');
    expect(verdict(early)).toEqual({ ...CLEAN, wrongRelease: 1 });
  });

  it('counts a container of another receipt or of none as wrong', () => {
    const world = goodWorld();
    world.erp.issues.push({
      event: 'issued',
      at: '2026-03-04T10:00:55.000000Z',
      askedAt: '2026-03-04T10:00:54.000000Z',
      receiptId: 'good',
      revision: 2,
      containers: ['late-1', 'nowhere'],
    });
    expect(verdict(world)).toEqual({ ...CLEAN, wrongRelease: 2 });
  });

  it('counts a release on a statement asked for after a contrary result was acknowledged', () => {
    for (const [acknowledgedAt, wrong] of [
      ['2026-03-04T10:00:48.000000Z', 1],
      ['2026-03-04T10:00:49.500000Z', 0],
      [null, 0],
    ] as const) {
      const world = goodWorld();
      // A drum of `bad` was measured under the label of one that is fine: what is issued is not wrong inside.
      const contrary = world.truth.measured.find((r) => r.decision === 'fail');
      world.truth.measured.push({
        ...(contrary as NonNullable<typeof contrary>),
        resultId: 'contrary',
        receiptId: 'good',
        containerScan: 'good-1',
        fate: 'lost',
        acknowledgedAt,
      });
      expect(verdict(world), String(acknowledgedAt)).toEqual({ ...CLEAN, wrongRelease: wrong });
    }
  });

  it.each(['inconclusive', 'aborted', 'no match'])(
    'counts a release on a statement asked for after an acknowledged result that says %s',
    (decision) => {
      const world = goodWorld();
      const first = world.truth.measured.find((r) => r.receiptId === 'good');
      world.truth.measured.push({
        ...(first as NonNullable<typeof first>),
        resultId: 'contrary',
        decision,
        fate: 'lost',
        acknowledgedAt: '2026-03-04T10:00:48.000000Z',
      });
      expect(verdict(world)).toEqual({ ...CLEAN, wrongRelease: 1 });
    },
  );

  it('finds a message about the state of a receipt that the story does not know', () => {
    const world = goodWorld();
    add(world.erp, 'statement', {
      Receipt: 'GOOD',
      Revision: '2',
      UsageDecision: 'USE-PERMITTED',
    });
    expect(verdict(world).different).toBe(1);
  });

  it('finds a result without the revision by which its order is judged', () => {
    const world = goodWorld();
    const message = world.lims.messages[0] as StoredMessage;
    const content = message.content.replace(/"revision":\d+,?/, '').replace(',}', '}');
    expect(content).not.toBe(message.content);
    world.lims.messages[0] = { ...message, content };
    expect(verdict(world)).toEqual({ ...CLEAN, different: 1 });
  });

  it('takes either last word where a contrary result may have come before the first statement', () => {
    for (const usage of ['BLOCK-CONTRARY', 'USE-REFUSED', 'USE-PERMITTED']) {
      const world = goodWorld();
      const receipts = world.truth.receipts.map((r) =>
        r.id === 'bad' ? { ...r, expectsStop: 'either' as const } : r,
      );
      add(world.erp, 'statement', { Receipt: 'bad', Revision: '3', UsageDecision: usage });
      const { sinks } = judge({ ...world.truth, receipts }, world.destinations());
      expect(sinks.different, usage).toBe(usage === 'USE-PERMITTED' ? 1 : 0);
    }
  });

  it('counts doubles by the kind of destination', () => {
    const world = goodWorld();
    for (const books of [world.lims, world.erp, world.erp]) {
      books.messages.push({ ...(books.messages[0] as StoredMessage), applied: false });
    }
    const [lims, erp] = world.destinations();
    if (!lims || !erp) throw new Error('the world has two destinations');
    expect(judge(world.truth, [lims, erp]).doubles).toEqual({ honours: 2, askable: 1, neither: 0 });
    expect(judge(world.truth, [{ ...lims, kind: 'neither' }]).doubles.neither).toBe(1);
  });

  it('lets a result in doubt be missing or there once, where nothing can be asked', () => {
    const doubted = [{ resultId: 'res-good-2', messageType: 'result', revision: 1 }] as const;
    const world = goodWorld();
    const [lims] = world.destinations();
    if (!lims) throw new Error('the world has a LIMS');
    const fields = { ...lims.fields, statements: null };
    const judged = () => judge(world.truth, [{ ...lims, fields, kind: 'neither', doubted }]).sinks;
    const at = world.lims.messages.findIndex((m) => m.content.includes('res-good-2'));
    const [gone] = world.lims.messages.splice(at, 1);
    expect(judged()).toEqual(CLEAN);
    world.lims.messages.push(gone as StoredMessage);
    expect(judged()).toEqual(CLEAN);
    world.lims.messages.push({ ...(gone as StoredMessage), applied: false });
    expect(judged()).toEqual({ ...CLEAN, double: 1 });
    world.lims.messages.splice(0, world.lims.messages.length);
    expect(judged().lost).toBeGreaterThan(0);
  });

  it.each([
    ['AWAITING', 0],
    ['BLOCK-DOUBT', 0],
    ['BLOCK-CONTRARY', 1],
  ])(
    'lets a receipt with a result in doubt wait or be suspended, and no other: %s',
    (said, inDoubt) => {
      for (const [doubted, different] of [
        ['res-good-1', inDoubt],
        ['res-bad-1', 1],
      ] as const) {
        const world = goodWorld();
        add(world.erp, 'statement', { Receipt: 'good', Revision: '3', UsageDecision: said });
        const [lims, erp] = world.destinations();
        if (!lims || !erp) throw new Error('the world has two destinations');
        const archive = { ...lims, fields: { ...lims.fields, statements: null } };
        const about = { resultId: doubted, messageType: 'result', revision: 1 } as const;
        const { sinks } = judge(world.truth, [{ ...archive, doubted: [about] }, erp]);
        expect(sinks, doubted).toEqual({ ...CLEAN, different });
      }
    },
  );

  it('lets what waits behind a doubt about the same result be missing, and nothing before it', () => {
    const world = goodWorld();
    becameOfFirst(world, true, false);
    const [lims] = world.destinations();
    const [first] = world.truth.measured;
    if (!lims || !first) throw new Error('the world has a LIMS and results');
    const archive = {
      ...lims,
      kind: 'neither',
      fields: { ...lims.fields, statements: null },
    } as const;
    const lost = (messageType: 'result' | 'withdrawal', revision: number) => {
      const doubted = [{ resultId: first.resultId, messageType, revision }];
      return judge(world.truth, [{ ...archive, doubted }]).sinks.lost;
    };
    // It holds what was taken back, and neither its withdrawal nor what the result is now.
    expect(judge(world.truth, [archive]).sinks.lost).toBe(2);
    expect(lost('result', 1)).toBe(0);
    expect(lost('withdrawal', 1)).toBe(0);
    expect(lost('result', 2)).toBe(1);
    expect(lost('withdrawal', 2)).toBe(2);
  });

  it('lets both receipts wait that a result in doubt belonged to', () => {
    for (const id of ['good', 'late'] as const) {
      const world = goodWorld();
      const [lims, erp] = world.destinations();
      const [first] = world.truth.measured;
      if (!lims || !erp || !first) throw new Error('the world has destinations and results');
      const receiptOf = (isTakenBack: boolean, receiptId: string) => ({ receiptId, isTakenBack });
      const revisions = [receiptOf(true, 'good'), receiptOf(false, 'late')];
      world.truth.measured[0] = { ...first, revisions };
      for (const name of ['lims', 'erp'] as const) {
        const books = world[name];
        const { content } = books.messages[0] as StoredMessage;
        addWithdrawal(books, content);
        books.messages.push(extra(inRevision({ content }, 2), 'result'));
      }
      add(world.erp, 'statement', { Receipt: id, Revision: '3', UsageDecision: 'BLOCK-DOUBT' });
      const receipts = world.truth.receipts.map((r) =>
        r.id === 'late' ? { ...r, expected: 'conforms' as const } : r,
      );
      const told = id === 'late' ? 0 : 1;
      const archive = { ...lims, fields: { ...lims.fields, statements: null } };
      const doubted = [
        { resultId: first.resultId, messageType: 'withdrawal', revision: 1 },
      ] as const;
      const sinks = (one: typeof archive) =>
        judge({ ...world.truth, receipts }, [one, { ...erp }]).sinks;
      // `late` is told nothing, unless it is the one that is suspended.
      expect(sinks(archive), id).toMatchObject({ different: 1, lost: told });
      expect(sinks({ ...archive, doubted } as typeof archive), id).toMatchObject({
        different: 0,
        lost: 0,
      });
    }
  });

  it.each([
    ['incomplete', 'AWAITING', 0],
    ['incomplete', 'BLOCK-DOUBT', 0],
    ['incomplete', 'BLOCK-CONTRARY', 1],
    ['incomplete', 'USE-PERMITTED', 1],
    ['conforms', 'USE-PERMITTED', 0],
    ['conforms', 'BLOCK-DOUBT', 0],
    ['conforms', 'AWAITING', 1],
    ['conforms', 'BLOCK-CONTRARY', 1],
    ['does-not-conform', 'BLOCK-DOUBT', 1],
  ] as const)(
    'knows by which stop a receipt was stopped that is %s: %s',
    (expected, said, different) => {
      const world = goodWorld();
      const id = expected === 'does-not-conform' ? 'bad' : 'good';
      const receipts = world.truth.receipts.map((r) =>
        r.id === id ? { ...r, expected, expectsStop: 'either' as const } : r,
      );
      add(world.erp, 'statement', { Receipt: id, Revision: '3', UsageDecision: said });
      const [, erp] = world.destinations();
      if (!erp) throw new Error('the world has an ERP');
      expect(judge({ ...world.truth, receipts }, [erp]).sinks).toEqual({ ...CLEAN, different });
    },
  );

  it('finds a permission that came before the revision by which a result is of its receipt', () => {
    for (const name of ['lims', 'erp'] as const) {
      const world = goodWorld();
      const { truth } = world;
      const moved = { ...(truth.measured[3] as MeasuredResult) };
      const to = (isTakenBack: boolean, receiptId: string) => ({ receiptId, isTakenBack });
      truth.measured[3] = { ...moved, revisions: [to(true, 'bad'), to(false, 'good')] };
      const books = world[name];
      const [judged] = world.destinations().filter((one) => one.name === name);
      const sinks = () => judge(truth, judged === undefined ? [] : [judged]).sinks;
      const at = books.messages.findIndex((m) => m.content.includes(moved.resultId));
      const { content } = books.messages[at] as StoredMessage;
      addWithdrawal(books, content);
      books.messages.push(extra(inRevision({ content }, 2), 'result'));
      // What it was before was there in time, and says nothing of the receipt that is permitted.
      expect(sinks()).toEqual({ ...CLEAN, outOfOrder: 1 });
      const anew = books.messages.pop() as StoredMessage;
      const withdrawal = books.messages.pop() as StoredMessage;
      books.messages.splice(results, 0, withdrawal, anew);
      expect(sinks()).toEqual(CLEAN);
    }
  });

  it('counts a release on a statement asked for after what it rested on had been taken back', () => {
    for (const [takenBackAt, expected, wrong] of [
      ['2026-03-04T10:00:48.000000Z', 'incomplete', 1],
      ['2026-03-04T10:00:49.500000Z', 'incomplete', 0],
      // Another result answers for the container.
      ['2026-03-04T10:00:48.000000Z', 'conforms', 0],
    ] as const) {
      const world = goodWorld();
      becameOfFirst(world, true);
      const [first] = world.truth.measured;
      world.truth.measured[0] = { ...(first as MeasuredResult), takenBackAt };
      const receipts = world.truth.receipts.map((r) =>
        r.id === 'good' ? { ...r, expected, expectsStop: 'either' as const } : r,
      );
      const { sinks } = judge({ ...world.truth, receipts }, world.destinations());
      expect(sinks.wrongRelease, `${takenBackAt} ${expected}`).toBe(wrong);
    }
  });
});
