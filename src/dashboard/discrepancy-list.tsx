import type { JSX } from 'preact';
import type { DiscrepancyGroupView, DiscrepancyLineView, DiscrepancyView } from './day-view.js';
import { instrumentPath } from './instrument-path.js';
import { Moment } from './marks.js';
import { receiptPath } from './receipt-path.js';
import { Verbatim } from './verbatim.js';

/** Open discrepancies by class; what has one cause is one line. */
export function DiscrepancyList({
  groups,
}: {
  readonly groups: readonly DiscrepancyGroupView[];
}): JSX.Element {
  if (groups.length === 0) return <p class="none">No discrepancy is open.</p>;
  return (
    <div class="groups">
      {groups.map((group) => (
        <section
          key={group.key}
          class="group"
          id={`class-${group.key}`}
          aria-labelledby={`title-${group.key}`}
        >
          <h3 id={`title-${group.key}`}>
            <a href={group.href}>{group.title}</a> <span class="count">{group.count}</span>
            {group.late === 0 ? null : <span class="late"> {group.late} past the target</span>}
          </h3>
          <p class="remedy">{group.remedy}</p>
          <ul>
            {group.lines.map((line) => (
              <Line key={line.href} line={line} />
            ))}
            {group.moreLines === 0 ? null : (
              <li>
                <a href={group.href}>All {group.count}</a>, of which {group.moreLines} further
                groups have no room here.
              </li>
            )}
          </ul>
        </section>
      ))}
    </div>
  );
}

/** What has one cause: its few members, or one line that leads to them. */
function Line({ line }: { readonly line: DiscrepancyLineView }): JSX.Element {
  if (line.items.length > 0) {
    return (
      <>
        {line.items.map((item) => (
          <li key={item.href}>
            <DiscrepancyEntry item={item} />
          </li>
        ))}
      </>
    );
  }
  return (
    <li>
      <p class="subject">
        <a href={line.href}>
          <Verbatim>{line.title}</Verbatim>
        </a>{' '}
        <span class="count">{line.count}</span>
      </p>
      <p class="small">
        <span>oldest {line.age}</span>
        {line.late === 0 ? null : <span class="late">{line.late} past the target</span>}
      </p>
    </li>
  );
}

export function DiscrepancyEntry({ item }: { readonly item: DiscrepancyView }): JSX.Element {
  return (
    <>
      <p class="subject">
        <a href={item.href}>{item.detail}</a>
      </p>
      <p class="small">
        {item.receiptId === null ? null : (
          <span>
            Receipt{' '}
            <a href={receiptPath(item.receiptId)}>
              <Verbatim>{item.receiptId}</Verbatim>
            </a>
            {item.container === null ? null : (
              <>
                , container <Verbatim>{item.container}</Verbatim>
              </>
            )}
          </span>
        )}
        {item.destination === null ? null : <span>Destination {item.destination}</span>}
        {item.instrument === null ? null : (
          <span>
            Instrument{' '}
            <a href={instrumentPath(item.instrument)}>
              <Verbatim>{item.instrument}</Verbatim>
            </a>
          </span>
        )}
        <span>
          Open since <Moment at={item.openedAt} />, {item.age}
        </span>
        {item.closedAt === null ? null : (
          <span>
            Closed <Moment at={item.closedAt} />: {item.closingEvidence}
          </span>
        )}
        <span>Owner: {item.owner}</span>
        {item.isLate ? (
          <span class="late">
            Past its target, <Moment at={item.targetAt} />
          </span>
        ) : null}
      </p>
      <p class="small">
        <code>
          <Verbatim>{item.subject}</Verbatim>
        </code>
      </p>
    </>
  );
}
