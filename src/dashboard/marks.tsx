import type { JSX } from 'preact';
import type { InspectionVerdict } from '../receipts/attribute-inspection.js';
import type {
  ConditionState,
  StatementContainer,
  StatementOutcome,
  StopKind,
} from '../records/statement-record.js';
import type { ShownCheck, TrendState } from '../statements/performance-view.js';
import type { SiteDecisionSummary } from '../statements/site-decision-view.js';
import type { MomentView } from './day-view.js';
import { Glyph, type GlyphShape } from './glyph.js';
import { CONDITION_WORDS, CONTAINER_WORDS, OUTCOME_WORDS, STOP_WORDS } from './wording.js';

/** A shape and its word. `tone` is the third carrier: it only colours what shape and word already say. */
export type Tone = 'good' | 'bad' | 'open' | 'quiet';

function Mark(props: {
  readonly shape: GlyphShape;
  readonly word: string;
  readonly tone: Tone;
}): JSX.Element {
  return (
    <span class={`mark-word tone-${props.tone}`}>
      <Glyph shape={props.shape} />
      <span>{props.word}</span>
    </span>
  );
}

export function OutcomeMark({
  outcome,
}: {
  readonly outcome: StatementOutcome | null;
}): JSX.Element {
  switch (outcome) {
    case null:
      return <Mark shape="dash" word="no statement yet" tone="quiet" />;
    case 'conforms':
      return <Mark shape="tick" word={OUTCOME_WORDS.conforms} tone="good" />;
    case 'does-not-conform':
      return <Mark shape="cross" word={OUTCOME_WORDS['does-not-conform']} tone="bad" />;
    case 'incomplete':
      return <Mark shape="half" word={OUTCOME_WORDS.incomplete} tone="open" />;
  }
}

export function StopMark({ kind }: { readonly kind: StopKind }): JSX.Element {
  return <Mark shape="bar" word={STOP_WORDS[kind]} tone="bad" />;
}

const CONDITION_MARKS: Readonly<Record<ConditionState, readonly [GlyphShape, Tone]>> = {
  met: ['tick', 'good'],
  unmet: ['open', 'open'],
  contradicted: ['cross', 'bad'],
  'not-evaluated': ['question', 'quiet'],
};

export function ConditionMark({ state }: { readonly state: ConditionState }): JSX.Element {
  const [shape, tone] = CONDITION_MARKS[state];
  return <Mark shape={shape} word={CONDITION_WORDS[state]} tone={tone} />;
}

const CONTAINER_MARKS: Readonly<Record<StatementContainer['state'], readonly [GlyphShape, Tone]>> =
  {
    covered: ['tick', 'good'],
    'not-measured': ['open', 'open'],
    contrary: ['cross', 'bad'],
    'not-required': ['dash', 'quiet'],
  };

export function ContainerMark({
  state,
}: {
  readonly state: StatementContainer['state'];
}): JSX.Element {
  const [shape, tone] = CONTAINER_MARKS[state];
  return <Mark shape={shape} word={CONTAINER_WORDS[state]} tone={tone} />;
}

export function containerTone(state: StatementContainer['state']): Tone {
  return CONTAINER_MARKS[state][1];
}

const VERDICT_MARKS: Readonly<Record<ShownCheck['verdict'], readonly [GlyphShape, Tone, string]>> =
  {
    pass: ['tick', 'good', 'passed'],
    fail: ['cross', 'bad', 'failed'],
    void: ['question', 'quiet', 'cannot be judged'],
  };

const INSPECTION_MARKS: Readonly<
  Record<InspectionVerdict['state'], readonly [GlyphShape, Tone, string]>
> = {
  accepted: ['tick', 'good', 'accepted'],
  rejected: ['cross', 'bad', 'rejected'],
  'rejected-before': ['cross', 'bad', 'rejected in the receipt it came from'],
  missing: ['open', 'open', 'not inspected as asked'],
  'no-plan': ['question', 'quiet', 'no plan can be made'],
};

/** What a plan for labels or damage says of what was counted. */
export function InspectionMark(props: { readonly state: InspectionVerdict['state'] }): JSX.Element {
  const [shape, tone, word] = INSPECTION_MARKS[props.state];
  return <Mark shape={shape} word={word} tone={tone} />;
}

const DECISION_MARKS: Readonly<
  Record<SiteDecisionSummary['state'], readonly [GlyphShape, Tone, string]>
> = {
  signed: ['tick', 'good', 'signed'],
  unsigned: ['open', 'open', 'not signed'],
  void: ['cross', 'bad', 'signature void'],
};

/** Whether a site decision may be rested on. */
export function DecisionMark({ state }: Pick<SiteDecisionSummary, 'state'>): JSX.Element {
  const [shape, tone, word] = DECISION_MARKS[state];
  return <Mark shape={shape} word={word} tone={tone} />;
}

/** What a performance check is worth. */
export function VerdictMark({ verdict }: { readonly verdict: ShownCheck['verdict'] }): JSX.Element {
  const [shape, tone, word] = VERDICT_MARKS[verdict];
  return <Mark shape={shape} word={word} tone={tone} />;
}

const TREND_MARKS: Readonly<Record<TrendState, readonly [GlyphShape, Tone, string]>> = {
  within: ['tick', 'good', 'within'],
  warning: ['open', 'open', 'at the warning limit'],
  action: ['half', 'open', 'at the action limit'],
  out: ['cross', 'bad', 'out of tolerance'],
};

/** Where the deviation of a band stands among its limits. */
export function TrendMark({ state }: { readonly state: TrendState }): JSX.Element {
  const [shape, tone, word] = TREND_MARKS[state];
  return <Mark shape={shape} word={word} tone={tone} />;
}

export function Moment({ at }: { readonly at: MomentView }): JSX.Element {
  return <time dateTime={at.iso}>{at.text}</time>;
}
