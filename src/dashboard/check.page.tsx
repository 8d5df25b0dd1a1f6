import type { JSX } from 'preact';
import {
  CLEARANCE_IN_WORDS,
  type Explanation,
  effectOf,
  NEEDS_IN_WORDS,
} from '../checks/explain.js';
import type { RuleInfo } from '../checks/rule.js';
import { checkPath } from './check-path.js';
import type { MomentView, SiteView } from './day-view.js';
import { Layout } from './layout.js';
import { renderPage } from './render-page.js';
import type { SignedIn } from './signed-in.js';

export interface CheckFrame {
  readonly site: SiteView;
  readonly asOf: MomentView;
  readonly signedIn: SignedIn | null;
}

export function renderCheckList(rules: readonly RuleInfo[], frame: CheckFrame): string {
  const page = (
    <Layout title="Checks" {...frame}>
      <p class="crumb">
        <a href="/">The day</a>
      </p>
      <h1>Checks</h1>
      <table>
        <caption>What a bundle and its results are checked for</caption>
        <thead>
          <tr>
            <th scope="col">Code</th>
            <th scope="col">Effect</th>
            <th scope="col">Meaning</th>
          </tr>
        </thead>
        <tbody>
          {rules.map((rule) => (
            <tr key={rule.code}>
              <th scope="row">
                <a href={checkPath(rule.code)}>{rule.code}</a>
              </th>
              <td data-label="Effect">{effectOf(rule)}</td>
              <td data-label="Meaning">{rule.meaning}</td>
            </tr>
          ))}
        </tbody>
      </table>
    </Layout>
  );
  return renderPage(page);
}

export function renderCheck(explanation: Explanation, frame: CheckFrame): string {
  const { advice, clearance, code, effect, limit, meaning, needs } = explanation;
  const rows: readonly (readonly [string, JSX.Element | string])[] = [
    ['Means', meaning],
    ['Effect', effect],
    ['Looks at', NEEDS_IN_WORDS[needs]],
    ...(limit === undefined ? [] : [['Limit', limit] as const]),
    ['What to do', advice],
    ...(clearance === null
      ? []
      : [
          [
            'May a reviewer clear it?',
            `${CLEARANCE_IN_WORDS[clearance.kind]}: ${clearance.why}`,
          ] as const,
        ]),
  ];
  const page = (
    <Layout title={`Check ${code}`} {...frame}>
      <p class="crumb">
        <a href="/checks">Checks</a>
      </p>
      <h1>
        Check <code>{code}</code>
      </h1>
      <table class="facts-table">
        <tbody>
          {rows.map(([name, text]) => (
            <tr key={name}>
              <th scope="row">{name}</th>
              <td>{text}</td>
            </tr>
          ))}
        </tbody>
      </table>
      <p class="small">
        A finding of this check stands beside its result, with what was found, the numbers, the
        limit and where the site has it from.
      </p>
      {code.startsWith('performance-') ? (
        <p>
          <a href="/instruments">Instruments</a>: the performance checks of each, and the trend of
          every band.
        </p>
      ) : null}
    </Layout>
  );
  return renderPage(page);
}
