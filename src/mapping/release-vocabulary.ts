import { PERIOD_MESSAGE_KINDS } from '../records/period-record.js';
import { STATEMENT_OUTCOMES, STOP_KINDS, STOP_REASON_MAX } from '../records/statement-record.js';
import type { MappingDocument } from '../site/mapping-document.js';
import type { RuleFault } from '../site/site-fault.js';
import { DECISIONS, ENVIRONMENTS, ORIGINS } from '../site/vocabulary.js';
import type { MappingProblem } from './mapping-problem.js';
import type { BuildOutcome } from './payload.js';
import {
  sampleAddendum,
  sampleEscalation,
  samplePeriod,
  sampleResult,
  sampleStatement,
  sampleStop,
  sampleWithdrawal,
} from './sample-subjects.js';
import { mayPermitRelease, type Subject } from './subjects.js';

/** One word of the vocabulary, as a subject that says it. */
export interface VocabularyCase {
  /** e.g. `decision aborted`. */
  readonly says: string;
  readonly subject: Subject;
  /** False for null and for a word nobody knows: these need not be sendable. */
  readonly isKnown: boolean;
}

const RECHECKS = ['agrees', 'disagrees', 'not-recomputable'] as const;
const UNKNOWN = [null, 'a-word-nobody-knows'] as const;

/**
 * The whole closed vocabulary: every decision (with every answer of the recheck), origin and environment,
 * every outcome, both kinds of stop, a period's close and addendum, and for each of them nothing and a word nobody knows.
 */
export function vocabularyCases(): VocabularyCase[] {
  return [
    ...DECISIONS.flatMap((decision) =>
      RECHECKS.map((answer) =>
        known(
          `decision ${decision}, recheck ${answer}`,
          sampleResult({ decision, recheck: { answer, score: null, reason: 'invented' } }),
        ),
      ),
    ),
    ...ORIGINS.map((origin) => known(`origin ${origin}`, sampleResult({ origin }))),
    ...ENVIRONMENTS.flatMap((environment) => [
      known(`result in ${environment}`, sampleResult({ environment })),
      known(`withdrawal in ${environment}`, sampleWithdrawal({ environment })),
      known(`period in ${environment}`, samplePeriod({ environment })),
      known(`stop in ${environment}`, sampleStop({}, { environment })),
      known(`stop escalation in ${environment}`, sampleEscalation({ environment })),
      known(
        `statement incomplete in ${environment}`,
        sampleStatement({ environment, outcome: 'incomplete' }),
      ),
      known(`statement conforms in ${environment}`, sampleStatement({ environment })),
    ]),
    ...STATEMENT_OUTCOMES.flatMap((outcome) => [
      known(`statement ${outcome}`, sampleStatement({ outcome })),
      ...STOP_KINDS.map((kind) =>
        known(`stop ${kind} after ${outcome}`, sampleStop({ kind }, { outcome })),
      ),
    ]),
    ...STOP_KINDS.map((kind) => known(`stop escalation ${kind}`, sampleEscalation({ kind }))),
    known('stop for the longest reason', sampleStop({ reason: LONGEST_REASON })),
    known('stop escalation for the longest reason', sampleEscalation({ reason: LONGEST_REASON })),
    ...PERIOD_MESSAGE_KINDS.map((kind) =>
      known(`period ${kind}`, kind === 'close' ? samplePeriod() : sampleAddendum()),
    ),
    ...UNKNOWN.flatMap((word) => {
      // Deliberately outside the types: a later version, or damaged data, could hold such a word.
      const outside = <T>(value: string | null): T => value as T;
      return [
        known(`decision ${word ?? 'null'}`, sampleResult({ decision: outside(word) }), false),
        known(`statement ${word ?? 'null'}`, sampleStatement({ outcome: outside(word) }), false),
        known(`stop ${word ?? 'null'}`, sampleStop({ kind: outside(word) }), false),
        known(
          `stop escalation ${word ?? 'null'}`,
          sampleEscalation({ kind: outside(word) }),
          false,
        ),
        known(`period ${word ?? 'null'}`, samplePeriod({ kind: outside(word) }), false),
      ];
    }),
  ];
}

/** A stop whose reason a contract is too narrow for would never leave. */
const LONGEST_REASON = '“&<ä\u241d'.repeat(STOP_REASON_MAX / 5);

function known(says: string, subject: Subject, isKnown = true): VocabularyCase {
  return { says, subject, isKnown };
}

/**
 * Release-safety rule 23: runs the vocabulary through a mapping. A fault for every word other than
 * *conforms* that yields a value permitting release (or one too near to it), for a *conforms* that yields
 * none, and for every known word the mapping cannot send.
 */
export async function releaseVocabularyFaults(
  document: MappingDocument,
  build: (subject: Subject) => Promise<BuildOutcome>,
): Promise<RuleFault[]> {
  const faults = new Map<string, RuleFault>();
  for (const { says, subject, isKnown } of vocabularyCases()) {
    if (document.messages[subject.message] === undefined) continue;
    const outcome = await build(subject);
    const found = outcome.ok
      ? permitted(document, subject, outcome.payload.permitsRelease)
      : outcome.problems;
    for (const problem of found) {
      if (isPermission(problem) || (isKnown && speaksOfVocabulary(document, problem))) {
        const fault = vocabularyFault(document, says, problem);
        // Neither the recheck's answer nor the environment makes another word of it.
        const key = JSON.stringify([fault.path, fault.rule, says.split(/,| in /)[0]]);
        if (!faults.has(key)) faults.set(key, fault);
      }
    }
  }
  return [...faults.values()];
}

/** What a built payload permits although it may not; `finishPayload` refuses it first, this is the second look. */
function permitted(
  document: MappingDocument,
  subject: Subject,
  permits: boolean,
): MappingProblem[] {
  if (!permits || mayPermitRelease(subject)) return [];
  return [
    {
      code: 'permits-without-conforms',
      message: subject.message,
      field: document.permits[0]?.at ?? null,
      expression: null,
      detail: 'the payload permits release',
      remedy: 'Only the statement conforms may.',
    },
  ];
}

const VOCABULARY = /(?:^|\.)(?:decision|outcome|kind|environment|origin)$/;

const REASON = /\b(?:stop|escalation)\.reason\b/;

/** The samples' invented ids may be too long or of another form; that says nothing about the vocabulary. */
function speaksOfVocabulary(document: MappingDocument, problem: MappingProblem): boolean {
  if (problem.code === 'conforms-without-permit' || problem.code.startsWith('expression-'))
    return true;
  const field = document.messages[problem.message]?.fields.find((f) => f.to === problem.field);
  return field?.from !== undefined && (VOCABULARY.test(field.from) || REASON.test(field.from));
}

function isPermission(problem: MappingProblem): boolean {
  return problem.code === 'permits-without-conforms';
}

function vocabularyFault(
  document: MappingDocument,
  says: string,
  problem: MappingProblem,
): RuleFault {
  const fields = document.messages[problem.message]?.fields ?? [];
  const index = fields.findIndex((field) => field.to === problem.field);
  const base = ['messages', problem.message];
  const key = fields[index]?.from === undefined ? 'constant' : 'from';
  return {
    path: index === -1 ? base : [...base, 'fields', index, key],
    rule: isPermission(problem) ? 'release-vocabulary' : `vocabulary-${problem.code}`,
    message: `${says}: ${problem.detail}`,
    remedy: problem.remedy,
  };
}
