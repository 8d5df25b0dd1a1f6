import type { ErrorCode } from '../error-registry.js';
import type { PlanKind, PlanRounding } from '../site/site-folder.js';
import { ATTRIBUTE_SOURCE, attributePlan } from './attribute-plan.js';
import { AQLS, INSPECTION_LEVELS, WHO_TABLES } from './published-plans.js';
import { CONTAINERS_MAX } from './receipt-bounds.js';
import { containersOf, requiredCount, whoCount } from './sampling-plan.js';

export const IDENTITY_PLANS = ['every', 'sqrt', 'who-n', 'who-p', 'who-r', 'fixed'] as const;
const ROUNDINGS = ['up', 'nearest', 'down'] as const;
/** Far above any lot; the tables end at "over 500,000". */
const LOT_MAX = 10_000_000;

/** A question about one plan, as texts of a command line. */
export interface SamplingQuestion {
  readonly plan: string;
  readonly lotSize: string;
  readonly rounding?: string;
  readonly level?: string;
  readonly aql?: string;
  /** Places, separated by commas. */
  readonly positions?: string;
  /** Names the containers too. */
  readonly seed?: string;
}

/** What a plan asks for. `n` is always how many containers are identified, or looked at for the attribute. */
export interface SamplingAnswer {
  readonly plan: string;
  readonly purpose: 'identity' | 'label or damage';
  readonly lotSize: number;
  readonly n: number;
  readonly accept: number;
  readonly reject: number;
  readonly source: string;
  readonly conditions: string;
  readonly rounding?: PlanRounding;
  /** Tests that follow identity, and on how many: the p plan's composites, the r plan's full tests. */
  readonly later?: { readonly what: string; readonly n: number };
  readonly level?: string;
  readonly aql?: string;
  readonly codeLetter?: string;
  /** Places in the list of containers, from 1, ascending; with a seed, and of a fixed plan. */
  readonly containers?: readonly number[];
  readonly seed?: string;
  /** Chance that one wrong container among all is not among those taken: 1 - n/N. */
  readonly missesOneWrong: number;
}

export type SamplingReply =
  | { readonly ok: true; readonly answer: SamplingAnswer }
  | { readonly ok: false; readonly code: ErrorCode; readonly found: string };

/** Works one plan out, or names the option that is wrong and what was expected. */
export function answerSampling(question: SamplingQuestion): SamplingReply {
  const { plan } = question;
  if (plan === 'iso2859') return attributeAnswer(question);
  const kind = IDENTITY_PLANS.find((known) => known === plan);
  if (kind === undefined) {
    const expected = [...IDENTITY_PLANS, 'iso2859'].join(', ');
    return wrong('sampling-plan', `--plan ${JSON.stringify(plan)}, expected one of ${expected}`);
  }
  const stray = strayOption(question, ['level', 'aql', ...strangers(kind)]);
  if (stray !== null) return stray;
  return identityAnswer(kind, question);
}

function strangers(kind: PlanKind): readonly (keyof SamplingQuestion)[] {
  return [
    ...(kind === 'sqrt' ? [] : (['rounding'] as const)),
    ...(kind === 'fixed' ? (['seed'] as const) : (['positions'] as const)),
  ];
}

function identityAnswer(kind: PlanKind, question: SamplingQuestion): SamplingReply {
  const rounding = ROUNDINGS.find((known) => known === (question.rounding ?? 'up'));
  if (rounding === undefined) {
    const found = `--rounding ${JSON.stringify(question.rounding)}, expected one of ${ROUNDINGS.join(', ')}`;
    return wrong('sampling-plan', found);
  }
  const lotSize = readLotSize(question.lotSize, CONTAINERS_MAX);
  if (typeof lotSize === 'string') return wrong('sampling-lot-size', lotSize);
  const positions = kind === 'fixed' ? readPositions(question.positions ?? '') : [];
  if (positions === null) {
    return wrong('sampling-positions', `--positions ${JSON.stringify(question.positions ?? '')}`);
  }
  const n = requiredCount(kind, rounding, lotSize, positions);
  const { seed } = question;
  const labels = Array.from({ length: lotSize }, (_, at) => String(at + 1));
  const chosen =
    seed === undefined && kind !== 'fixed'
      ? null
      : [...containersOf({ kind, rounding, positions, seed: seed ?? '' }, labels)];
  const later = laterTests(kind, lotSize);
  return {
    ok: true,
    answer: {
      plan: kind,
      purpose: 'identity',
      lotSize,
      n,
      accept: 0,
      reject: 1,
      source: SOURCES[kind],
      conditions: CONDITIONS[kind],
      ...(kind === 'sqrt' ? { rounding } : {}),
      ...(later === null ? {} : { later }),
      ...(chosen === null ? {} : { containers: chosen.map(Number).sort((a, b) => a - b) }),
      ...(seed === undefined ? {} : { seed }),
      missesOneWrong: chanceToMiss(n, lotSize),
    },
  };
}

function attributeAnswer(question: SamplingQuestion): SamplingReply {
  const stray = strayOption(question, ['rounding', 'positions', 'seed']);
  if (stray !== null) return stray;
  const lotSize = readLotSize(question.lotSize, LOT_MAX);
  if (typeof lotSize === 'string') return wrong('sampling-lot-size', lotSize);
  const level = INSPECTION_LEVELS.find((known) => known === (question.level ?? 'II'));
  if (level === undefined) {
    return wrong('sampling-level', `--level ${JSON.stringify(question.level)}`);
  }
  const given = question.aql ?? '';
  const isNumber = /^\d{1,3}(?:\.\d{1,4})?$/.test(given);
  const aql = isNumber ? AQLS.find((known) => Number(known) === Number(given)) : undefined;
  if (aql === undefined) {
    const found = `--aql ${JSON.stringify(given)}, expected one of ${AQLS.join(', ')}`;
    return wrong('sampling-aql', found);
  }
  const worked = attributePlan(lotSize, level, aql);
  if (!worked.ok) return wrong('sampling-level', worked.message);
  const { letter, n, accept, reject, isWholeLot } = worked.plan;
  return {
    ok: true,
    answer: {
      plan: 'iso2859',
      purpose: 'label or damage',
      lotSize,
      n,
      accept,
      reject,
      source: ATTRIBUTE_SOURCE,
      conditions: `Never for identity.${isWholeLot ? ' The plan asks for as many containers as there are: all are looked at.' : ''}`,
      level,
      aql,
      codeLetter: letter,
      missesOneWrong: chanceToMiss(n, lotSize),
    },
  };
}

function laterTests(kind: PlanKind, lotSize: number): NonNullable<SamplingAnswer['later']> | null {
  if (kind === 'who-p') return { what: 'composites', n: whoCount(WHO_TABLES.p, lotSize) };
  if (kind === 'who-r') return { what: 'full tests', n: whoCount(WHO_TABLES.r, lotSize) };
  return null;
}

const WHO = 'WHO Technical Report Series 929 (2005), Annex 4, Appendix 5 (table from memory)';
const SOURCES: Readonly<Record<PlanKind, string>> = {
  every: 'EU GMP Annex 8: identity of a whole batch by testing every container',
  sqrt: 'common practice, no source; not a statistical plan',
  'who-n': WHO,
  'who-p': WHO,
  'who-r': WHO,
  fixed: 'the list as given',
};
const CONDITIONS: Readonly<Record<PlanKind, string>> = {
  every: 'None.',
  sqrt: 'Only under a validated procedure for this material, manufacturer and supplier.',
  'who-n':
    'Uniform material from a recognised source; not meant for makers. Every container up to 4.',
  'who-p': 'Uniform material from a recognised source; every container is identified, then pooled.',
  'who-r':
    'Material suspected not to be uniform, or of unknown source; every container is identified.',
  fixed: 'A receipt that lacks one of the places is tested container by container.',
};

function readLotSize(text: string, max: number): number | string {
  const size = /^\d{1,9}$/.test(text) ? Number(text) : 0;
  if (size >= 1 && size <= max) return size;
  return `--lot-size ${JSON.stringify(text)}, expected a whole number from 1 to ${max}`;
}

function readPositions(text: string): number[] | null {
  const places = text.split(',').map((place) => (/^\d{1,5}$/.test(place) ? Number(place) : 0));
  const isList = places.every((place) => place >= 1 && place <= CONTAINERS_MAX);
  return isList && new Set(places).size === places.length ? places : null;
}

function strayOption(
  question: SamplingQuestion,
  strange: readonly (keyof SamplingQuestion)[],
): SamplingReply | null {
  const stray = strange.find((option) => question[option] !== undefined);
  return stray === undefined
    ? null
    : wrong('sampling-plan', `--${stray} with the plan ${question.plan}, which does not take it`);
}

function chanceToMiss(n: number, lotSize: number): number {
  return Math.round((1 - n / lotSize) * 1000) / 1000;
}

function wrong(code: ErrorCode, found: string): SamplingReply {
  return { ok: false, code, found };
}
