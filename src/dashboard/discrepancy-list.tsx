import type { JSX } from 'preact';
import type { DiscrepancyGroupView, DiscrepancyView } from './day-view.js';
import { Moment } from './marks.js';
import { receiptPath } from './receipt-path.js';
import { Verbatim } from './verbatim.js';

/** Open discrepancies by class, each by name. */
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
            {group.title} <span class="count">{group.count}</span>
          </h3>
          <p class="remedy">{group.remedy}</p>
          <ul>
            {group.items.map((item) => (
              <Discrepancy key={item.subject} item={item} />
            ))}
            {group.count > group.items.length ? (
              <li>{group.count - group.items.length} more; `drumline reconcile` lists all.</li>
            ) : null}
          </ul>
        </section>
      ))}
    </div>
  );
}

function Discrepancy({ item }: { readonly item: DiscrepancyView }): JSX.Element {
  return (
    <li>
      <p class="subject">{item.detail}</p>
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
        {item.openedAt === null ? null : (
          <span>
            Open since <Moment at={item.openedAt} />
            {item.age === null ? null : `, ${item.age}`}
          </span>
        )}
      </p>
      <p class="small">
        <code>
          <Verbatim>{item.subject}</Verbatim>
        </code>
      </p>
    </li>
  );
}
