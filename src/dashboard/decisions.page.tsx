import type { JSX } from 'preact';
import type { DecisionEffect } from '../statements/decision-effects.js';
import type { SiteDecisionSummary, SiteDecisionView } from '../statements/site-decision-view.js';
import { DECISIONS_PATH, decisionPath } from './decision-source.js';
import { FactsTable } from './facts-table.js';
import { Notice, Told } from './form-parts.js';
import { Layout } from './layout.js';
import { momentOf } from './local-time.js';
import { ManifestList } from './manifest-list.js';
import { DecisionMark, Moment } from './marks.js';
import type { ReviewFrame } from './page-site.js';
import { renderPage } from './render-page.js';
import { type Signer, SignForm } from './sign-form.js';
import type { Said } from './signed-form.js';
import { Verbatim } from './verbatim.js';

/** How a decision stands beside its signature: one is in force only while a signature of it holds. */
function standingWords({ state, standing }: SiteDecisionSummary): string | null {
  switch (standing) {
    case 'expired':
      return 'expired: all that rests on it is over';
    case 'unused':
      return 'nothing rests on it';
    case 'in-force':
      return state === 'signed' ? 'in force' : null;
  }
}

export function renderDecisions(list: readonly SiteDecisionSummary[], frame: ReviewFrame): string {
  return renderPage(<DecisionsPage list={list} frame={frame} />);
}

export interface DecisionShown {
  readonly view: SiteDecisionView;
  readonly frame: ReviewFrame;
  /** null for who may not sign. */
  readonly signer: Signer | null;
  readonly said: Said;
}

export function renderDecision(shown: DecisionShown): string {
  return renderPage(<DecisionPage {...shown} />);
}

/** Every decision of the site, what needs somebody first. */
function DecisionsPage(props: {
  readonly list: readonly SiteDecisionSummary[];
  readonly frame: ReviewFrame;
}): JSX.Element {
  const { list, frame } = props;
  const sections = [
    {
      id: 'void',
      title: 'Signed, and changed since',
      of: list.filter((d) => d.state === 'void'),
      means: VOID_WORDS,
    },
    {
      id: 'unsigned',
      title: 'Not signed',
      of: list.filter((d) => d.state === 'unsigned'),
      means: unsignedWords(frame),
    },
    {
      id: 'in-force',
      title: 'Signed and in force',
      of: list.filter((d) => d.state === 'signed' && d.standing === 'in-force'),
      means: 'Statements rest on these.',
    },
    {
      id: 'over',
      title: 'Signed and over',
      of: list.filter((d) => d.state === 'signed' && d.standing !== 'in-force'),
      means: 'Nothing new rests on these. What rested on one before still does.',
    },
  ].filter(({ of }) => of.length > 0);
  return (
    <Layout title="Site decisions" {...frame}>
      <p class="crumb">
        <a href="/">The day</a>
      </p>
      <h1>Site decisions</h1>
      <p>
        What the site decided for itself: sampling plans, approved methods, and whatever asks less
        than the rules do. They are written in the site folder and signed here.
      </p>
      {list.length === 0 ? <p class="none">The site folder has none.</p> : null}
      {sections.map(({ id, title, of, means }) => (
        <section id={id} key={id}>
          <h2>
            {title} <span class="count">{of.length}</span>
          </h2>
          <p class="small">{means}</p>
          <Decisions of={of} timeZone={frame.site.timeZone} />
        </section>
      ))}
    </Layout>
  );
}

const VOID_WORDS =
  'A void signature counts nowhere: no statement conforms on such a decision, and what conformed by it is stopped.';

function unsignedWords({ site }: ReviewFrame): string {
  return site.environment === 'production'
    ? 'No statement conforms on a decision that nobody signed.'
    : `In production no statement would conform on one; in ${site.environment} they count, and statements say that nobody signed.`;
}

function Decisions(props: {
  readonly of: readonly SiteDecisionSummary[];
  readonly timeZone: string;
}): JSX.Element {
  return (
    <table>
      <thead>
        <tr>
          <th scope="col">Decision</th>
          <th scope="col">What was decided</th>
          <th scope="col">Signature</th>
        </tr>
      </thead>
      <tbody>
        {props.of.map((d) => (
          <tr key={d.id}>
            <th scope="row">
              <a href={decisionPath(d.id)}>
                <Verbatim>{d.id}</Verbatim>
              </a>
              <span class="small">
                {' '}
                <Verbatim>{[d.rule, standingWords(d) ?? []].flat().join(', ')}</Verbatim>
              </span>
            </th>
            <td data-label="What was decided">
              <Verbatim>{d.reason}</Verbatim>
              {d.loosens.length === 0 ? null : (
                <p class="tone-open">Asks less: {d.loosens.join('; ')}.</p>
              )}
              <p class="small">
                <Verbatim>{d.decidedBy}</Verbatim>, <time dateTime={d.date}>{d.date}</time>
              </p>
            </td>
            <td data-label="Signature">
              <DecisionMark state={d.state} />
              {d.signature === null ? null : (
                <p class="small">
                  <Verbatim>{d.signature.printedName}</Verbatim>,{' '}
                  <Moment at={momentOf(d.signature.at, props.timeZone)} />
                </p>
              )}
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

/** A decision with what rests on it, who signed, and the form that signs it as it reads now. */
function DecisionPage({ view, frame, signer, said }: DecisionShown): JSX.Element {
  const { timeZone } = frame.site;
  const standing = standingWords(view);
  return (
    <Layout title={`Decision ${view.id}`} {...frame} sent={said.typed}>
      <p class="crumb">
        <a href={DECISIONS_PATH}>Site decisions</a>
      </p>
      <h1>
        Decision <Verbatim>{view.id}</Verbatim>
      </h1>
      <Told notice={said.notice} />
      {view.state === 'void' ? (
        <Notice tone="bad" title="Its signature is void">
          <p>
            It reads differently than it was signed, at{' '}
            <Verbatim>{view.changed.map((pointer) => pointer || 'the whole').join(', ')}</Verbatim>.{' '}
            {VOID_WORDS}
          </p>
        </Notice>
      ) : null}
      <p>
        <Verbatim>{view.reason}</Verbatim>
      </p>
      <p>
        Rule <strong>{view.rule}</strong>, decided by <Verbatim>{view.decidedBy}</Verbatim>,{' '}
        <time dateTime={view.date}>{view.date}</time>
        {standing === null ? '' : `; ${standing}`}.
      </p>
      <section id="effects">
        <h2>
          What rests on it <span class="count">{view.effects.length}</span>
        </h2>
        <Effects of={view.effects} timeZone={timeZone} />
      </section>
      <section id="signature">
        <h2>Signature</h2>
        <Signature view={view} />
      </section>
      {view.state === 'signed' ? null : (
        <section id="sign">
          <h2>Sign it as it reads now</h2>
          <SignForm
            action={decisionPath(view.id)}
            shown={view.sha256}
            signer={signer}
            whoMay="Quality signers who are signed in sign a decision here."
            reason={{ hint: 'Part of the signature: by which procedure, and what you compared.' }}
            meaning="Your signature means approved, with everything that rests on the decision. It is void once anything of that reads differently."
          />
        </section>
      )}
      <section id="shown">
        <h2>What a signature covers</h2>
        <p class="small">
          Exactly this, by its SHA-256 <code class="digest">{view.sha256}</code>.
        </p>
        <FactsTable value={view.shown.record} />
      </section>
    </Layout>
  );
}

function Effects(props: {
  readonly of: readonly DecisionEffect[];
  readonly timeZone: string;
}): JSX.Element {
  if (props.of.length === 0) return <p class="none">Nothing: the site names it nowhere.</p>;
  return (
    <table>
      <thead>
        <tr>
          <th scope="col">By it</th>
          <th scope="col">Asks less</th>
          <th scope="col">When</th>
        </tr>
      </thead>
      <tbody>
        {props.of.map((effect) => (
          <tr key={`${effect.what} ${effect.from} ${effect.until}`}>
            <th scope="row">
              <Verbatim>{effect.what}</Verbatim>
            </th>
            <td data-label="Asks less">
              {effect.loosens === null ? (
                <span class="none">of nothing</span>
              ) : (
                <strong class="tone-open">{effect.loosens}</strong>
              )}
            </td>
            <td data-label="When">
              <When effect={effect} timeZone={props.timeZone} />
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

function When(props: { readonly effect: DecisionEffect; readonly timeZone: string }): JSX.Element {
  const { from, until, isOver } = props.effect;
  return (
    <>
      {from === null ? null : (
        <>
          from <Moment at={momentOf(from, props.timeZone)} />{' '}
        </>
      )}
      {until === null ? (
        'without an end'
      ) : (
        <>
          until <Moment at={momentOf(until, props.timeZone)} />
        </>
      )}
      {isOver ? <strong class="tone-quiet"> over</strong> : null}
    </>
  );
}

function Signature({ view }: { readonly view: SiteDecisionView }): JSX.Element {
  const { signature: s } = view;
  if (s === null) return <p class="none">Nobody has signed it.</p>;
  return (
    <>
      <p>
        <DecisionMark state={view.state} />
      </p>
      <ManifestList signatures={[s]} />
    </>
  );
}
