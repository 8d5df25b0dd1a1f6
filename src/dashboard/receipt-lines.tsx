import type { JSX } from 'preact';
import { outcomeAnchor } from './day-stages.js';
import type { ReceiptLineView } from './day-view.js';
import { ConditionMark, OutcomeMark, StopMark } from './marks.js';
import { receiptPath, receiptTitle } from './receipt-path.js';
import { TileStrip } from './tile-strip.js';
import { Verbatim } from './verbatim.js';

export function ReceiptLines({
  receipts,
}: {
  readonly receipts: readonly ReceiptLineView[];
}): JSX.Element {
  if (receipts.length === 0) {
    return <p class="none">No receipt line was expected or measured on this day.</p>;
  }
  return (
    <table class="receipts">
      <thead>
        <tr>
          <th scope="col">Receipt line</th>
          <th scope="col">Statement</th>
          <th scope="col">Conditions not met</th>
          <th scope="col">Containers</th>
        </tr>
      </thead>
      <tbody>
        {receipts.map((receipt, index) => (
          <ReceiptLine
            key={receipt.receiptId}
            receipt={receipt}
            isFirstOfOutcome={
              receipts.findIndex((other) => other.outcome === receipt.outcome) === index
            }
          />
        ))}
      </tbody>
    </table>
  );
}

function ReceiptLine(props: {
  readonly receipt: ReceiptLineView;
  readonly isFirstOfOutcome: boolean;
}): JSX.Element {
  const { receipt } = props;
  const anchor = outcomeAnchor(receipt.outcome);
  const href = receiptPath(receipt.receiptId);
  return (
    <tr class={anchor} {...(props.isFirstOfOutcome ? { id: anchor } : {})}>
      <th scope="row">
        <a class="receipt-link" href={href}>
          <Verbatim>{receiptTitle(receipt)}</Verbatim>
        </a>
        <ReceiptFacts receipt={receipt} />
      </th>
      <td data-label="Statement">
        <OutcomeMark outcome={receipt.outcome} />
        {receipt.stop === null ? null : (
          <div class="stop">
            <StopMark kind={receipt.stop.kind} />
            <span class="small">{receipt.stop.reason}</span>
          </div>
        )}
        {receipt.revision === null ? null : <span class="small">revision {receipt.revision}</span>}
      </td>
      <td data-label="Conditions not met">
        {receipt.unmet.length === 0 ? (
          <span class="none">{receipt.outcome === 'conforms' ? 'All met.' : 'None listed.'}</span>
        ) : (
          <ul class="conditions">
            {receipt.unmet.map((condition) => (
              <li key={condition.title}>
                <strong>{condition.title}</strong> <ConditionMark state={condition.state} />
                <span class="small">{condition.found}</span>
              </li>
            ))}
            {receipt.unmetMore.length === 0 ? null : (
              <li class="small">
                And <a href={`${href}#statement`}>{receipt.unmetMore.length} more</a>:{' '}
                {receipt.unmetMore.join(', ')}
              </li>
            )}
          </ul>
        )}
      </td>
      <td data-label="Containers">
        <TileStrip strip={receipt.tiles} moreHref={`${href}#containers`} />
      </td>
    </tr>
  );
}

function ReceiptFacts({ receipt }: { readonly receipt: ReceiptLineView }): JSX.Element {
  const facts: readonly (readonly [string, string | null])[] = [
    ['Material', receipt.material],
    ['Lot', receipt.lot],
    ['Area', receipt.area],
  ];
  return (
    <dl class="facts">
      {facts.map(([term, text]) =>
        text === null ? null : (
          <div key={term}>
            <dt>{term}</dt>
            <dd>
              <Verbatim>{text}</Verbatim>
            </dd>
          </div>
        ),
      )}
    </dl>
  );
}
