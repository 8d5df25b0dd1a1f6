import { parseTimestamp } from '../formats/instant.js';
import type { BooksDocument, StoredMessage } from './books.js';
import { compareFields, type FieldTable, readLeaves } from './held-fields.js';
import {
  type DrumPhase,
  type MeasuredResult,
  type SentRevision,
  type StoryReceipt,
  SUBSTANCE_OF,
} from './story.js';

/**
 * Compares what happened in the simulated world with what the stand-ins' books say. It reads their books and
 * the simulation's own list, and nothing of the gateway's.
 */
export interface SinkVerdict {
  /** An accepted result, or a receipt's last word, that a destination should hold and does not. */
  readonly lost: number;
  /**
   * Entries beyond the first for one delivery reference, for one revision of a result or withdrawal, or for one revision of a
   * receipt, whether a statement or a stop; and a result under a revision that it never had.
   */
  readonly double: number;
  /**
   * A lower revision applied after a higher one, a result behind its own withdrawal or a withdrawal before its result, or a
   * permission before the results it rests on.
   */
  readonly outOfOrder: number;
  /**
   * A held field that differs from what the instrument measured, or an entry that should not be there: of a result that
   * was not accepted, a withdrawal of one that stands, a message of any type that nothing told of here asks for.
   */
  readonly different: number;
  /**
   * Containers holding another material when they were released or issued, or that stand released and unblocked; receipts that
   * at no time conform and were released or issued all the same; and receipts released or issued on a statement asked
   * for after a contrary result, or the act that took back what they rested on, had been acknowledged.
   */
  readonly wrongRelease: number;
}

/** What a destination offers against doubles: one effect a key, an answer to a question, or nothing. */
export type SinkKind = 'honours' | 'askable' | 'neither';

export interface Judgement {
  readonly sinks: SinkVerdict;
  /** The doubles by kind of destination. */
  readonly doubles: Readonly<Record<SinkKind, number>>;
  /** One sentence for everything found. */
  readonly findings: readonly string[];
}

export interface WorldTruth {
  readonly receipts: readonly StoryReceipt[];
  readonly measured: readonly MeasuredResult[];
  /** By drum label, in order of time. */
  readonly drums: ReadonlyMap<string, readonly DrumPhase[]>;
}

export interface JudgedDestination {
  readonly name: string;
  readonly kind: SinkKind;
  readonly books: BooksDocument;
  readonly fields: FieldTable;
  /** True when the results declared as refused are expected to be missing here. */
  readonly refusesDeclared: boolean;
  /**
   * What waits for a person, because the destination can tell nothing: it may be there or not, but not twice, and what
   * comes behind it about the same result waits with it. Meant for the kind `neither`; the others leave it out, since they
   * can be asked.
   */
  readonly doubted?: readonly DoubtedMessage[];
}

export interface DoubtedMessage {
  readonly resultId: string;
  readonly messageType: 'result' | 'withdrawal';
  readonly revision: number;
}

type Count = (kind: keyof SinkVerdict, sentence: string) => void;

/** Judges every destination; releases and issues are those of destinations that have any. */
export function judge(truth: WorldTruth, destinations: readonly JudgedDestination[]): Judgement {
  const sinks = { lost: 0, double: 0, outOfOrder: 0, different: 0, wrongRelease: 0 };
  const doubles = { honours: 0, askable: 0, neither: 0 };
  const findings: string[] = [];
  const count: Count = (kind, sentence) => {
    sinks[kind] += 1;
    findings.push(`${kind}: ${sentence}`);
  };
  const inDoubt = receiptsInDoubt(truth, destinations);
  for (const destination of destinations) {
    const messages = destination.books.messages.map((message) => readMessage(message, destination));
    judgeTypes(destination.name, messages, count);
    judgeRevisions(destination.name, messages, count);
    const before = sinks.double;
    judgeResults(truth, destination, messages, count);
    judgeWithdrawals(truth, destination, messages, count);
    judgeDoubles(destination.name, messages, count);
    doubles[destination.kind] += sinks.double - before;
    judgeStatements(truth, destination, { messages, inDoubt }, count);
    judgeOrder(destination.name, messages, count);
    judgePermissions(truth, destination, messages, count);
    judgeReleases(truth, destination, count);
    judgeUnwarranted(truth, destination, count);
    judgeContradicted(truth, destination, count);
  }
  return { sinks, doubles, findings };
}

interface ReadMessage {
  readonly message: StoredMessage;
  readonly leaves: ReadonlyMap<string, string>;
  /** Receipt id for statements and stops, else result id; '' when the entry names none. */
  readonly subject: string;
  readonly revision: number;
  /** Code of the destination for the outcome; '' for results. */
  readonly outcome: string;
}

function readMessage(message: StoredMessage, { fields }: JudgedDestination): ReadMessage {
  const leaves = readLeaves(message.content);
  const isState = isStateType(message.messageType);
  return {
    message,
    leaves,
    subject: leaves.get(subjectLeaf(message, fields)) ?? '',
    revision: Number(leaves.get(fields.revision) ?? Number.NaN),
    outcome: isState ? (leaves.get(fields.statements?.outcome ?? '') ?? '') : '',
  };
}

function subjectLeaf({ messageType }: StoredMessage, fields: FieldTable): string {
  return isStateType(messageType) ? fields.receipt : fields.resultId;
}

/** Of closed periods and of stops told to people a truth tells nothing: no such message belongs into its books. */
function judgeTypes(name: string, messages: readonly ReadMessage[], count: Count): void {
  for (const { message, subject } of messages) {
    if (isJudgedType(message.messageType)) continue;
    count(
      'different',
      `${name} ${message.number} about "${subject}" is of type "${message.messageType}", which nothing asks for`,
    );
  }
}

function hasRevision({ revision }: ReadMessage): boolean {
  return Number.isSafeInteger(revision);
}

/** Order and doubles are judged by revision: an entry without one could hide either. */
function judgeRevisions(name: string, messages: readonly ReadMessage[], count: Count): void {
  for (const entry of messages) {
    const { message, subject } = entry;
    if (!isJudgedType(message.messageType) || hasRevision(entry)) continue;
    count('different', `${name} ${message.number} about ${subject} states no revision`);
  }
}

function judgeResults(
  truth: WorldTruth,
  destination: JudgedDestination,
  messages: readonly ReadMessage[],
  count: Count,
): void {
  const held = messages.filter((m) => m.message.messageType === 'result');
  const mayBeMissing = missingInDoubt(destination);
  for (const result of truth.measured) {
    const mine = held.filter((m) => m.subject === result.resultId);
    const revisions = revisionsOf(result);
    const isExpected =
      result.fate === 'arrived' && !(destination.refusesDeclared && result.refusedByLims);
    const stands = revisions.findLastIndex(({ isTakenBack }) => !isTakenBack) + 1;
    const isThere = mine.some((m) => m.revision === stands || !hasRevision(m));
    const isDoubted = mayBeMissing({
      resultId: result.resultId,
      messageType: 'result',
      revision: stands,
    });
    if (isExpected && stands > 0 && !isThere && !isDoubted) {
      count('lost', `${result.resultId} is not at ${destination.name}`);
    }
    for (const entry of mine) {
      if (!isExpected) {
        count('different', `${destination.name} holds ${result.resultId}, which is ${result.fate}`);
        continue;
      }
      const sent = revisions[entry.revision - 1];
      if (sent === undefined && hasRevision(entry)) {
        count(
          'double',
          `${destination.name} ${entry.message.number} is ${result.resultId} again, under revision ${entry.revision}, which it never had`,
        );
      }
      const { receiptId } = sent ?? result;
      for (const sentence of compareFields(
        entry.leaves,
        { ...result, receiptId },
        destination.fields,
      )) {
        count('different', `${destination.name} ${entry.message.number}: ${sentence}`);
      }
    }
  }
  const known = new Set(truth.measured.map((r) => r.resultId));
  for (const entry of held) {
    if (known.has(entry.subject)) continue;
    count('different', `${destination.name} ${entry.message.number} is of no result measured`);
  }
}

/** A withdrawal speaks of a result that was taken back, and comes wherever that one is. */
function judgeWithdrawals(
  truth: WorldTruth,
  destination: JudgedDestination,
  messages: readonly ReadMessage[],
  count: Count,
): void {
  const { name } = destination;
  const takenBack = new Map(
    truth.measured.flatMap(({ resultId, fate, ...rest }) =>
      revisionsOf(rest).flatMap(({ isTakenBack }, i) =>
        isTakenBack && fate === 'arrived'
          ? [[revisionName(resultId, i + 1), { resultId, revision: i + 1 }] as const]
          : [],
      ),
    ),
  );
  const of = (type: string) => messages.filter((m) => m.message.messageType === type);
  const withdrawn = new Set<string>();
  for (const entry of of('withdrawal')) {
    const about = revisionName(entry.subject, entry.revision);
    withdrawn.add(about);
    if (takenBack.has(about) || !hasRevision(entry)) continue;
    count('different', `${name} ${entry.message.number} withdraws ${about}, which stands`);
  }
  const held = new Set(of('result').map((m) => revisionName(m.subject, m.revision)));
  const mayBeMissing = missingInDoubt(destination);
  for (const [about, its] of takenBack) {
    if (!held.has(about) || withdrawn.has(about)) continue;
    if (mayBeMissing({ ...its, messageType: 'withdrawal' })) continue;
    count('lost', `${name} holds ${about}, which was taken back, and no withdrawal of it`);
  }
}

function revisionsOf({
  revisions,
  receiptId,
}: Pick<MeasuredResult, 'revisions' | 'receiptId'>): readonly SentRevision[] {
  return revisions ?? [{ receiptId, isTakenBack: false }];
}

/** Says of a message whether it is in doubt, or waits behind one about the same result that is. */
function missingInDoubt({ doubted = [] }: JudgedDestination): (about: DoubtedMessage) => boolean {
  const first = new Map<string, number>();
  for (const one of doubted) {
    const rank = rankOf(one.messageType, one.revision);
    first.set(one.resultId, Math.min(rank, first.get(one.resultId) ?? rank));
  }
  return ({ resultId, messageType, revision }) =>
    rankOf(messageType, revision) >= (first.get(resultId) ?? Number.POSITIVE_INFINITY);
}

/** Of a result its revisions and their withdrawals are one sequence, each revision before what takes it back. */
function rankOf(messageType: DoubtedMessage['messageType'], revision: number): number {
  return 2 * revision + (messageType === 'withdrawal' ? 1 : 0);
}

const revisionName = (resultId: string, revision: number) => `${resultId} revision ${revision}`;

function judgeDoubles(name: string, messages: readonly ReadMessage[], count: Count): void {
  const references = new Set<string>();
  const subjects = new Set<string>();
  for (const { message, subject, revision } of messages) {
    // A stop is its revision's message: a statement under the same one would say two things of it.
    const what = isStateType(message.messageType) ? 'receipt' : message.messageType;
    const about = `${what} ${subject} revision ${revision}`;
    if (references.has(message.reference) || subjects.has(about)) {
      count('double', `${name} holds ${about} again as ${message.number}`);
    }
    references.add(message.reference);
    subjects.add(about);
  }
}

/** The last word on each receipt: what counts is the highest revision that was applied. */
function judgeStatements(
  truth: WorldTruth,
  { name, fields }: JudgedDestination,
  told: { readonly messages: readonly ReadMessage[]; readonly inDoubt: ReadonlySet<string> },
  count: Count,
): void {
  if (fields.statements === null) return;
  const { codes } = fields.statements;
  const known = new Set(truth.receipts.map(({ id }) => id));
  for (const entry of told.messages) {
    // Of a receipt that nobody announced nothing more can be said.
    if (!isStateMessage(entry) || known.has(entry.subject)) continue;
    if (codes.incomplete.includes(entry.outcome)) continue;
    count(
      'different',
      `${name} shows ${entry.outcome} for "${entry.subject}", which is no receipt`,
    );
  }
  for (const receipt of truth.receipts) {
    const about = told.messages.filter(
      (m) => isStateMessage(m) && m.subject === receipt.id && m.message.applied,
    );
    const last = about.reduce<ReadMessage | null>(
      (best, m) => (best === null || m.revision > best.revision ? m : best),
      null,
    );
    // An open doubt is an open discrepancy, and with one of those nothing conforms; one that comes to light
    // after a conforms suspends it.
    const mayWait = receipt.expected === 'conforms' && told.inDoubt.has(receipt.id);
    const stopped = receipt.expected === 'does-not-conform' ? codes.stopped : codes.suspended;
    const allowed = [
      ...(receipt.expectsStop === false ? [] : stopped),
      ...(receipt.expectsStop === true ? [] : codes[receipt.expected]),
      ...(mayWait ? [...codes.incomplete, ...codes.suspended] : []),
    ];
    if (last === null) {
      // Silence and "incomplete" ask the same of a receiving system: nothing may be done.
      if (receipt.expected !== 'incomplete' && !mayWait) {
        count('lost', `${name} was told nothing of ${receipt.id}, which is ${receipt.expected}`);
      }
    } else if (!allowed.includes(last.outcome)) {
      count(
        'different',
        `${name} shows ${last.outcome} for ${receipt.id}, which is ${receipt.expected}`,
      );
    }
  }
}

function receiptsInDoubt(
  truth: WorldTruth,
  destinations: readonly JudgedDestination[],
): ReadonlySet<string> {
  const doubted = new Set(
    destinations.flatMap((one) => (one.doubted ?? []).map(({ resultId }) => resultId)),
  );
  return new Set(
    truth.measured
      .filter((r) => doubted.has(r.resultId))
      .flatMap((r) => revisionsOf(r).map(({ receiptId }) => receiptId)),
  );
}

function judgeOrder(name: string, messages: readonly ReadMessage[], count: Count): void {
  const highest = new Map<string, { readonly rank: number; readonly said: string }>();
  for (const entry of inOrderOfEffect(messages)) {
    // `judgeRevisions` counts it; as a number it would hide what comes behind it.
    if (!hasRevision(entry)) continue;
    const { about, rank } = placeInOrder(entry);
    const said = `${entry.message.messageType} revision ${entry.revision}`;
    const before = highest.get(about);
    if (before !== undefined && rank < before.rank) {
      count('outOfOrder', `${name} applied ${said} of ${about} after ${before.said}`);
    } else {
      highest.set(about, { rank, said });
    }
  }
}

function placeInOrder({ message: { messageType }, subject, revision }: ReadMessage): {
  readonly about: string;
  readonly rank: number;
} {
  switch (messageType) {
    case 'result':
    case 'withdrawal':
      return { about: `result ${subject}`, rank: rankOf(messageType, revision) };
    case 'statement':
    case 'stop':
      return { about: `receipt ${subject}`, rank: revision };
    default:
      return { about: `${messageType} ${subject}`, rank: revision };
  }
}

/** Applied entries by the moment they took effect; entries of one moment in order of arrival. */
function inOrderOfEffect(messages: readonly ReadMessage[]): ReadMessage[] {
  return messages
    .filter((m) => m.message.applied)
    .sort((a, b) => instantOf(a.message.appliedAt ?? '') - instantOf(b.message.appliedAt ?? ''));
}

/** A permission must find the first accepted result of every measured container already stored. */
function judgePermissions(
  truth: WorldTruth,
  { name, fields }: JudgedDestination,
  messages: readonly ReadMessage[],
  count: Count,
): void {
  const permits = fields.statements?.codes.conforms ?? [];
  messages.forEach((entry, position) => {
    if (!isStateMessage(entry) || !permits.includes(entry.outcome)) return;
    const before = new Set(
      messages
        .slice(0, position)
        .filter((m) => m.message.messageType === 'result')
        // `judgeRevisions` counts one without a revision; here it stands for whichever is looked for.
        .map((m) => (hasRevision(m) ? revisionName(m.subject, m.revision) : m.subject)),
    );
    for (const { resultId, about } of firstResults(truth.measured, entry.subject)) {
      if (before.has(about) || before.has(resultId)) continue;
      count('outOfOrder', `${name} was permitted ${entry.subject} before ${about}`);
    }
  });
}

/** Of each container the first result that the receipt had of it, under the revision that made it the receipt's. */
function firstResults(measured: readonly MeasuredResult[], receiptId: string) {
  const first = new Map<string, { readonly resultId: string; readonly about: string }>();
  for (const result of measured) {
    const { resultId, containerScan, fate } = result;
    const revision = revisionsOf(result).findIndex((one) => one.receiptId === receiptId) + 1;
    if (revision === 0 || fate !== 'arrived' || first.has(containerScan)) continue;
    first.set(containerScan, { resultId, about: revisionName(resultId, revision) });
  }
  return [...first.values()];
}

function judgeReleases(truth: WorldTruth, { name, books }: JudgedDestination, count: Count): void {
  const wrong = new Set<string>();
  const look = (receiptId: string, label: string, at: number, deed: string): void => {
    const receipt = truth.receipts.find((r) => r.id === receiptId);
    const expected = receipt === undefined ? undefined : SUBSTANCE_OF[receipt.material];
    const isOfReceipt = receipt?.drums.some((d) => d.label === label) ?? false;
    const held = holdsAt(truth.drums.get(label) ?? [], at);
    if (isOfReceipt && held !== null && held === expected) return;
    if (wrong.has(label)) return;
    wrong.add(label);
    count(
      'wrongRelease',
      `${name} ${deed} ${label} of ${receiptId}, which held ${held ?? 'nothing known'}`,
    );
  };
  for (const deed of [...books.releases, ...books.issues]) {
    for (const label of deed.containers) {
      look(deed.receiptId, label, instantOf(deed.at), deed.event);
    }
  }
  for (const state of books.receipts) {
    if (state.usage !== 'released') continue;
    for (const label of state.releasedContainers) {
      look(state.receiptId, label, Number.POSITIVE_INFINITY, 'keeps released');
    }
  }
}

/** A receipt that conforms at no time may be neither released nor issued, whatever its drums hold. */
function judgeUnwarranted(
  truth: WorldTruth,
  { name, books }: JudgedDestination,
  count: Count,
): void {
  const never = new Map(truth.receipts.filter(conformsNever).map((r) => [r.id, r]));
  const seen = new Set<string>();
  for (const { receiptId, event, revision } of [...books.releases, ...books.issues]) {
    const receipt = never.get(receiptId);
    if (receipt === undefined || seen.has(receiptId)) continue;
    seen.add(receiptId);
    const sentence = `${name} ${event} ${receiptId} on revision ${revision}, which is ${receipt.expected} from the start`;
    count('wrongRelease', sentence);
  }
}

/** One that is stopped, or may be, conformed before: what was done then is judged by `judgeContradicted`. */
function conformsNever({ expected, expectsStop }: StoryReceipt): boolean {
  return expected !== 'conforms' && expectsStop === false;
}

/** What an instrument decides that speaks for a drum; everything else is contrary. */
const FAVOURABLE: readonly string[] = ['pass', 'match'];

/**
 * A contrary result that was acknowledged before a statement was asked for must be in that statement, and so must the act
 * by which a receipt lost for good what it rested on: what the receiving system did on it is judged by when it asked,
 * not by when it acted.
 */
function judgeContradicted(
  truth: WorldTruth,
  { name, books }: JudgedDestination,
  count: Count,
): void {
  // Of the others another result may answer for the container.
  const lacking = new Set(
    truth.receipts.filter(({ expected }) => expected === 'incomplete').map(({ id }) => id),
  );
  for (const deed of [...books.releases, ...books.issues]) {
    const mine = truth.measured.filter((r) => r.receiptId === deed.receiptId);
    const isBefore = (at: string | null | undefined) =>
      at != null && instantOf(at) < instantOf(deed.askedAt);
    const contrary = mine.find(
      (r) => !FAVOURABLE.includes(r.decision) && isBefore(r.acknowledgedAt),
    );
    const on = `${name} ${deed.event} ${deed.receiptId} on a statement asked for at ${deed.askedAt}`;
    if (contrary !== undefined) {
      count('wrongRelease', `${on}, after ${contrary.resultId} was acknowledged`);
    }
    const takenBack = lacking.has(deed.receiptId) && mine.find((r) => isBefore(r.takenBackAt));
    if (takenBack) count('wrongRelease', `${on}, after ${takenBack.resultId} was taken back`);
  }
}

function holdsAt(phases: readonly DrumPhase[], at: number): string | null {
  let held: string | null = null;
  for (const phase of phases) if (instantOf(phase.from) <= at) held = phase.holds;
  return held;
}

function isStateMessage({ message }: ReadMessage): boolean {
  return isStateType(message.messageType);
}

function isJudgedType(messageType: string): boolean {
  return messageType === 'result' || messageType === 'withdrawal' || isStateType(messageType);
}

function isStateType(messageType: string): boolean {
  return messageType === 'statement' || messageType === 'stop';
}

function instantOf(text: string): number {
  return parseTimestamp(text)?.instant ?? Number.NaN;
}
