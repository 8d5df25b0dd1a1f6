import type { JSX } from 'preact';
import { HAND_FIELDS } from '../receipts/hand-draft.js';
import type { SecondLook } from '../receipts/second-look.js';
import { HAND_LABELS } from './announce-words.js';
import { Notice } from './form-parts.js';
import { Verbatim } from './verbatim.js';

const LABELS_SHOWN_MAX = 500;

const OUTCOMES: Readonly<Record<SecondLook['outcome'], string>> = {
  new: 'a new receipt line',
  completed: 'a receipt that scans have named already',
  changed: 'a change of a receipt line',
  unchanged: 'nothing new: it is announced just so already',
};

/** All that saving would do, for the eyes of who is about to. */
export function SecondLookAt(props: {
  readonly look: SecondLook;
  readonly reason: string;
}): JSX.Element {
  const { look } = props;
  const { line } = look;
  return (
    <>
      <h2>Before it is saved: {OUTCOMES[look.outcome]}</h2>
      <Doubts look={look} />
      <dl class="identity">
        {HAND_FIELDS.filter((field) => field !== 'containers').map((field) => (
          <Term key={field} name={HAND_LABELS[field]} text={look.kept[field]} />
        ))}
        <Term name="Reason" text={props.reason} />
      </dl>
      <p>
        <strong>{line.containers.length} containers</strong>,{' '}
        {line.dockCount === null ? 'nobody counted them' : `${line.dockCount} counted at the dock`}.{' '}
        {look.plan === null ? (
          'No sampling plan of the site holds for it: it cannot conform.'
        ) : (
          <>
            Plan “{look.plan.kind}” by decision {look.plan.decision}:{' '}
            <strong>
              {look.required} of {line.containers.length} have to be identified
            </strong>
            {look.required < line.containers.length ? ', chosen at random when it is saved.' : '.'}
          </>
        )}{' '}
        {look.linkedResults === 0
          ? null
          : `${look.linkedResults} results measured before would belong to it.`}
      </p>
      <Changes look={look} />
      <h3>Labels as they will be kept</h3>
      <ul class="labels">
        {line.containers.slice(0, LABELS_SHOWN_MAX).map((label) => (
          <li key={label}>
            <Verbatim>{label}</Verbatim>
          </li>
        ))}
      </ul>
      {line.containers.length > LABELS_SHOWN_MAX ? (
        <p class="small">and {line.containers.length - LABELS_SHOWN_MAX} more</p>
      ) : null}
    </>
  );
}

/** What a person should look at twice. None of it is corrected, and none of it is in the way. */
function Doubts({ look }: { readonly look: SecondLook }): JSX.Element | null {
  const { line } = look;
  const doubts: JSX.Element[] = [];
  if (line.containers.length === 0) {
    doubts.push(<li>No container is listed: the receipt stays incomplete.</li>);
  }
  if (line.dockCount !== null && line.dockCount !== line.containers.length) {
    doubts.push(
      <li>
        {line.dockCount} were counted and {line.containers.length} are listed: it cannot conform
        like this.
      </li>,
    );
  }
  for (const group of look.alike) {
    doubts.push(<li>Labels that look alike: {listed(group)}. Are they different containers?</li>);
  }
  for (const { written, read } of look.otherwise) {
    doubts.push(
      <li>
        Written {listed([written])}, the same label as {listed([read])}.
      </li>,
    );
  }
  for (const { label, receiptId } of look.elsewhere) {
    doubts.push(
      <li>
        {listed([label])} stands in receipt {listed([receiptId])} too; which one is meant is told by
        the scan of the receipt.
      </li>,
    );
  }
  for (const { scanned, hint } of look.scannedOnly) {
    doubts.push(
      <li>
        Scanned for this receipt and not in the list: {listed([scanned])}
        {hint === '' ? null : ` (${hint})`}.
      </li>,
    );
  }
  for (const kept of look.keptBack) doubts.push(<li>Kept as it was: {kept}.</li>);
  if (doubts.length === 0) return null;
  return (
    <Notice tone="quiet" title="Look at this twice">
      <ul>{doubts}</ul>
    </Notice>
  );
}

function listed(texts: readonly string[]): JSX.Element {
  return (
    <>
      {texts.map((text, i) => (
        <>
          {i === 0 ? null : ', '}
          <Verbatim>{text}</Verbatim>
        </>
      ))}
    </>
  );
}

function Changes({ look }: { readonly look: SecondLook }): JSX.Element | null {
  const { changed, added, removed } = look;
  if (changed.length + added.length + removed.length === 0) return null;
  return (
    <>
      <h3>What changes</h3>
      <ul>
        {changed.map(({ name, from, to }) => (
          <li key={name}>
            {HAND_LABELS[name]}: {from === '' ? 'nothing' : listed([from])} becomes{' '}
            {to === '' ? 'nothing' : listed([to])}
          </li>
        ))}
        {added.length === 0 ? null : <li>Containers added: {some(added)}</li>}
        {removed.length === 0 ? null : <li>Containers taken off: {some(removed)}</li>}
      </ul>
    </>
  );
}

const SOME = 20;

function some(labels: readonly string[]): JSX.Element {
  return (
    <>
      {listed(labels.slice(0, SOME))}
      {labels.length > SOME ? ` and ${labels.length - SOME} more` : null}
    </>
  );
}

function Term(props: { readonly name: string; readonly text: string }): JSX.Element {
  return (
    <div>
      <dt>{props.name}</dt>
      <dd>
        {props.text === '' ? (
          <span class="none">not known</span>
        ) : (
          <Verbatim>{props.text}</Verbatim>
        )}
      </dd>
    </div>
  );
}
