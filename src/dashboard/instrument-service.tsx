import type { JSX } from 'preact';
import type { ShownInstrument } from '../statements/performance-view.js';
import { momentOf } from './local-time.js';
import { Moment } from './marks.js';
import { Verbatim } from './verbatim.js';

/** Whether and since when an instrument is in service, with the spans in which it was not. */
export function Service(props: {
  readonly of: ShownInstrument;
  readonly timeZone: string;
}): JSX.Element {
  const { registered } = props.of;
  if (registered === null) return <>not registered: nothing it measures counts</>;
  const at = (text: string) => <Moment at={momentOf(text, props.timeZone)} />;
  return (
    <>
      {registered.inService ? 'in service' : 'out of service'}
      {registered.inServiceSince === null ? null : <> since {at(registered.inServiceSince)}</>}
      {registered.outOfService.map(({ from, to, decision }) => (
        <span class="small" key={from}>
          , out of service from {at(from)}
          {to === null ? ' on' : <> to {at(to)}</>} (decision <Verbatim>{decision}</Verbatim>)
        </span>
      ))}
    </>
  );
}

export function LastSync(props: {
  readonly of: ShownInstrument;
  readonly timeZone: string;
}): JSX.Element {
  const { heardAt } = props.of;
  if (heardAt === null) return <span class="none">never</span>;
  return <Moment at={momentOf(heardAt, props.timeZone)} />;
}
