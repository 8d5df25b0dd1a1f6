import type { JSX } from 'preact';
import type { ListedInstrument } from '../statements/performance-view.js';
import { instrumentPath } from './instrument-path.js';
import { LastSync, Service } from './instrument-service.js';
import { Layout } from './layout.js';
import { momentOf } from './local-time.js';
import { Moment, VerdictMark } from './marks.js';
import type { ReviewFrame } from './page-site.js';
import { renderPage } from './render-page.js';
import { Verbatim } from './verbatim.js';

/** Every instrument that is registered or was heard. */
export function renderInstruments(list: readonly ListedInstrument[], frame: ReviewFrame): string {
  return renderPage(<InstrumentsPage list={list} frame={frame} />);
}

function InstrumentsPage(props: {
  readonly list: readonly ListedInstrument[];
  readonly frame: ReviewFrame;
}): JSX.Element {
  const { list, frame } = props;
  const { timeZone } = frame.site;
  return (
    <Layout title="Instruments" {...frame}>
      <p class="crumb">
        <a href="/">The day</a>
      </p>
      <h1>Instruments</h1>
      {list.length === 0 ? (
        <p>No instrument is registered, and none was heard.</p>
      ) : (
        <table class="instruments">
          <caption>Every instrument that is registered or was heard</caption>
          <thead>
            <tr>
              <th scope="col">Serial</th>
              <th scope="col">Model and area</th>
              <th scope="col">Last sync</th>
              <th scope="col">Service</th>
              <th scope="col">Latest performance check</th>
            </tr>
          </thead>
          <tbody>
            {list.map((one) => (
              <tr key={one.serial}>
                <th scope="row">
                  <a href={instrumentPath(one.serial)}>
                    <Verbatim>{one.serial}</Verbatim>
                  </a>
                </th>
                <td data-label="Model and area">
                  {one.registered === null ? (
                    <span class="none">unknown</span>
                  ) : (
                    <Verbatim>{`${one.registered.model}, ${one.registered.area}`}</Verbatim>
                  )}
                </td>
                <td data-label="Last sync">
                  <LastSync of={one} timeZone={timeZone} />
                </td>
                <td data-label="Service">
                  <Service of={one} timeZone={timeZone} />
                </td>
                <td data-label="Latest performance check">
                  {one.latest === null ? (
                    <span class="none">none</span>
                  ) : (
                    <>
                      <VerdictMark verdict={one.latest.verdict} />
                      <span class="small">
                        <Moment at={momentOf(one.latest.checkedAt, timeZone)} />
                      </span>
                    </>
                  )}
                </td>
              </tr>
            ))}
          </tbody>
        </table>
      )}
    </Layout>
  );
}
