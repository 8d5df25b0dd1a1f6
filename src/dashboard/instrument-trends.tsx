import type { JSX } from 'preact';
import type { PeakTrend } from '../statements/performance-view.js';
import { momentOf } from './local-time.js';
import { Moment, TrendMark } from './marks.js';
import { ChartLegend, TrendChart } from './trend-chart.js';
import { signedText } from './trend-geometry.js';
import { Verbatim } from './verbatim.js';

/** Checks of one band's table; its chart and the API have all. */
const POINTS_SHOWN_MAX = 50;

interface Trends {
  readonly trends: readonly PeakTrend[];
  readonly timeZone: string;
}

/** Per standard the state of every band, and per band its positions over time. */
export function InstrumentTrends({ trends, timeZone }: Trends): JSX.Element | null {
  if (trends.length === 0) return null;
  const standards = [...new Set(trends.map(({ standard }) => standard))];
  return (
    <>
      {standards.map((standard, index) => {
        const bands = trends.filter((trend) => trend.standard === standard);
        return (
          <section key={standard} aria-labelledby={`trend-${index}`}>
            <h2 id={`trend-${index}`}>
              Trend on <Verbatim>{standard}</Verbatim>
            </h2>
            <BandTable bands={bands} />
            <ChartLegend />
            <div class="trends">
              {bands.map((trend) => (
                <Band key={trend.expected} trend={trend} timeZone={timeZone} />
              ))}
            </div>
          </section>
        );
      })}
    </>
  );
}

function BandTable({ bands }: { readonly bands: readonly PeakTrend[] }): JSX.Element {
  return (
    <table class="bands">
      <caption>Latest position of every band, cm⁻¹</caption>
      <thead>
        <tr>
          <th scope="col">Expected</th>
          <th scope="col">Observed</th>
          <th scope="col">Deviation</th>
          <th scope="col">State</th>
          <th scope="col">Warning, action, tolerance</th>
          <th scope="col">Slope a day</th>
          <th scope="col">Checks</th>
        </tr>
      </thead>
      <tbody>
        {bands.map((trend) => {
          const last = trend.points.at(-1);
          return (
            <tr key={trend.expected}>
              <th scope="row">{trend.expected}</th>
              <td data-label="Observed">{last?.observed}</td>
              <td data-label="Deviation">{signedText(last?.deviation ?? '')}</td>
              <td data-label="State">
                <TrendMark state={trend.state} />
              </td>
              <td data-label="Warning, action, tolerance">
                {trend.warning}, {trend.action}, {trend.tolerance}
              </td>
              <td data-label="Slope a day">
                {trend.slopePerDay === null ? (
                  <span class="none">needs three checks over a day</span>
                ) : (
                  signedText(trend.slopePerDay)
                )}
              </td>
              <td data-label="Checks">{trend.points.length}</td>
            </tr>
          );
        })}
      </tbody>
    </table>
  );
}

function Band(props: { readonly trend: PeakTrend; readonly timeZone: string }): JSX.Element {
  const { trend, timeZone } = props;
  const newest = [...trend.points].reverse();
  const older = newest.length - POINTS_SHOWN_MAX;
  return (
    <figure class="trend">
      <figcaption>
        Band at {trend.expected} cm⁻¹ <TrendMark state={trend.state} />
      </figcaption>
      {trend.run?.isPast ? (
        <p>
          {trend.run.count} checks in a row {trend.run.side} the centre {trend.run.centre} cm⁻¹, a
          drift from {trend.run.points} on (<Verbatim>{trend.run.source}</Verbatim>).
        </p>
      ) : null}
      <TrendChart trend={trend} timeText={(text) => momentOf(text, timeZone).text} />
      <details>
        <summary>Numbers of this chart</summary>
        <table>
          <thead>
            <tr>
              <th scope="col">Checked at</th>
              <th scope="col">Observed</th>
              <th scope="col">Deviation</th>
              <th scope="col">State</th>
            </tr>
          </thead>
          <tbody>
            {newest.slice(0, POINTS_SHOWN_MAX).map((point) => (
              <tr key={point.checkId}>
                <th scope="row">
                  <Moment at={momentOf(point.checkedAt, timeZone)} />
                </th>
                <td data-label="Observed">{point.observed}</td>
                <td data-label="Deviation">{signedText(point.deviation)}</td>
                <td data-label="State">
                  <TrendMark state={point.state} />
                </td>
              </tr>
            ))}
          </tbody>
        </table>
        {older > 0 ? <p class="small">{older} older ones stand in the chart only.</p> : null}
      </details>
    </figure>
  );
}
