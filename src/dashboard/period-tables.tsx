import type { JSX } from 'preact';
import type { SignedPeriod } from '../reconciliation/period-document.js';
import { countFacts } from '../reconciliation/reconciliation-report.js';
import type { PeriodDiscrepancy } from '../records/period-record.js';
import type { StatementOutcome } from '../records/statement-record.js';
import { discrepancyPath } from './discrepancy-path.js';
import { momentOf } from './local-time.js';
import { Moment, OutcomeMark } from './marks.js';
import { inPlainWords } from './plain-text.js';
import { receiptPath } from './receipt-path.js';
import { Verbatim } from './verbatim.js';

/** What a signature of a close covers: counts, statements, what is carried over and what was resolved. */
export function PeriodTables(props: {
  readonly period: SignedPeriod;
  readonly timeZone: string;
}): JSX.Element {
  const { period, timeZone } = props;
  const carried = period.carriedOver.length + period.notListed;
  return (
    <>
      <section aria-labelledby="counts-title">
        <h2 id="counts-title">From dock to confirmation</h2>
        <Counts period={period} />
      </section>
      <section aria-labelledby="carried-title">
        <h2 id="carried-title">
          Carried over <span class="count">{carried}</span>
        </h2>
        <p class="small">
          Open at the end of the period and still open. They count on, also when it is closed.
        </p>
        <Discrepancies
          of={period.carriedOver}
          timeZone={timeZone}
          none="Nothing is carried over."
        />
        {period.notListed === 0 ? null : (
          <p class="none">{period.notListed} more are not listed.</p>
        )}
      </section>
      <section aria-labelledby="resolved-title">
        <h2 id="resolved-title">
          Resolved <span class="count">{period.resolved.length}</span>
        </h2>
        <p class="small">Open at the end of the period, closed by evidence since.</p>
        <Discrepancies of={period.resolved} timeZone={timeZone} none="Nothing." />
      </section>
      <section aria-labelledby="statements-title">
        <h2 id="statements-title">
          Statements <span class="count">{period.statements.length}</span>
        </h2>
        <Statements period={period} />
      </section>
    </>
  );
}

function Counts({ period }: { readonly period: SignedPeriod }): JSX.Element {
  const facts = [...countFacts(period.counts), ['stops issued', period.stops] as const];
  return (
    <dl class="count-list">
      {facts.map(([name, value]) => (
        <div key={name}>
          <dt>{name}</dt>
          <dd>{value}</dd>
        </div>
      ))}
    </dl>
  );
}

type Listed = PeriodDiscrepancy & {
  readonly closedAt?: string;
  readonly closingEvidence?: string | null;
};

function Discrepancies(props: {
  readonly of: readonly Listed[];
  readonly timeZone: string;
  readonly none: string;
}): JSX.Element {
  const { of, timeZone, none } = props;
  if (of.length === 0) return <p class="none">{none}</p>;
  return (
    <table>
      <thead>
        <tr>
          <th scope="col">Class</th>
          <th scope="col">What</th>
          <th scope="col">Owner</th>
          <th scope="col">Open since</th>
          {of.some((d) => d.closedAt !== undefined) ? <th scope="col">Closed by</th> : null}
        </tr>
      </thead>
      <tbody>
        {of.map((d) => (
          <tr key={d.id}>
            <th scope="row">
              <a href={discrepancyPath(d.id)}>{d.class}</a>
            </th>
            <td data-label="What">
              <Verbatim>{inPlainWords(d.detail, timeZone)}</Verbatim>
            </td>
            <td data-label="Owner">{d.owner}</td>
            <td data-label="Open since">
              <Moment at={momentOf(d.openedAt, timeZone)} />
            </td>
            {d.closedAt === undefined ? null : (
              <td data-label="Closed by">
                <Verbatim>{d.closingEvidence ?? 'nothing named'}</Verbatim>{' '}
                <span class="small">
                  <Moment at={momentOf(d.closedAt, timeZone)} />
                </span>
              </td>
            )}
          </tr>
        ))}
      </tbody>
    </table>
  );
}

const OUTCOMES: readonly string[] = ['conforms', 'does-not-conform', 'incomplete'];

function Statements({ period }: { readonly period: SignedPeriod }): JSX.Element {
  if (period.statements.length === 0) {
    return <p class="none">None was made for a receipt line of this period.</p>;
  }
  return (
    <table>
      <thead>
        <tr>
          <th scope="col">Receipt line</th>
          <th scope="col">Latest statement</th>
          <th scope="col">Revision</th>
          <th scope="col">Stop</th>
        </tr>
      </thead>
      <tbody>
        {period.statements.map((s) => (
          <tr key={s.receiptId}>
            <th scope="row">
              <a href={receiptPath(s.receiptId)}>
                <Verbatim>{s.receiptId}</Verbatim>
              </a>
            </th>
            <td data-label="Latest statement">
              {OUTCOMES.includes(s.outcome) ? (
                <OutcomeMark outcome={s.outcome as StatementOutcome} />
              ) : (
                <Verbatim>{s.outcome}</Verbatim>
              )}
            </td>
            <td data-label="Revision">{s.revision}</td>
            <td data-label="Stop">
              {s.hasStop ? <strong class="tone-bad">in force</strong> : 'none'}
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}
