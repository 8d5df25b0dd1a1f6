import type { JSX } from 'preact';
import { PASSWORD_LENGTH_MAX, PASSWORD_LENGTH_MIN } from '../access/password-rules.js';
import type { AccountView, RefusedTryView, SessionView } from './account-view.js';
import { Field, Notice, OwnForm, Told } from './form-parts.js';
import { Layout } from './layout.js';
import { Moment } from './marks.js';
import { renderPage } from './render-page.js';
import { Roles } from './role-words.js';
import { Verbatim } from './verbatim.js';

function AccountPage({ view }: { readonly view: AccountView }): JSX.Element {
  const { site, asOf, signedIn } = view;
  return (
    <Layout title="Account" site={site} asOf={asOf} signedIn={signedIn} hasCautions={false}>
      <p class="crumb">
        <a href="/">The day</a>
      </p>
      <h1>
        <Verbatim>{signedIn.printedName}</Verbatim>
      </h1>
      <Told notice={view.notice} />
      {view.mustChangePassword ? (
        <Notice tone="bad" title="Choose a password of your own first">
          <p>
            An administrator knows the one that you have. Until you have changed it nothing else is
            open.
          </p>
        </Notice>
      ) : null}
      <dl class="identity">
        <div>
          <dt>User name</dt>
          <dd>
            <Verbatim>{view.userName}</Verbatim>
          </dd>
        </div>
        <div>
          <dt>Roles at this site</dt>
          <dd>
            <Roles roles={view.roles} />
          </dd>
        </div>
        <div>
          <dt>You measure as</dt>
          <dd>
            {view.operatorIds.length === 0 ? (
              <span class="none">nobody</span>
            ) : (
              <Verbatim>{view.operatorIds.join(', ')}</Verbatim>
            )}
          </dd>
        </div>
      </dl>
      <div class="two">
        <PasswordForm view={view} />
        <OwnForm action="/sign-out" token={view.formToken}>
          <h2>Sign out</h2>
          <p>Ends this sign-in on the gateway, not only in this browser.</p>
          <button type="submit">Sign out</button>
        </OwnForm>
      </div>
      <h2>Your sign-ins</h2>
      <p class="small">
        A sign-in ends after {view.limits.idle} without a request, and after {view.limits.absolute}{' '}
        in any case. End one that you do not know, and change your password.
      </p>
      <SessionTable sessions={view.sessions} token={view.formToken} />
      <h2>Refused under your name</h2>
      <RefusedTable refused={view.refused} />
    </Layout>
  );
}

function PasswordForm({ view }: { readonly view: AccountView }): JSX.Element {
  return (
    <OwnForm action="/account/password" token={view.formToken}>
      <h2>Change your password</h2>
      <input
        type="text"
        name="user-name"
        value={view.userName}
        autocomplete="username"
        hidden
        readOnly
      />
      <Field
        id="current"
        name="current"
        label="Present password"
        type="password"
        autocomplete="current-password"
        isFocused={view.mustChangePassword}
      />
      <Field
        id="next"
        name="next"
        label="New password"
        type="password"
        autocomplete="new-password"
        hint={`${PASSWORD_LENGTH_MIN} to ${PASSWORD_LENGTH_MAX} characters of any kind; several words that do not belong together are best. Not your user name, nor a name of this site.`}
      />
      <Field
        id="again"
        name="again"
        label="New password again"
        type="password"
        autocomplete="new-password"
      />
      <button type="submit">Change password</button>
      <p class="small">Ends all your other sign-ins.</p>
    </OwnForm>
  );
}

function SessionTable(props: {
  readonly sessions: readonly SessionView[];
  readonly token: string;
}): JSX.Element {
  return (
    <table>
      <caption>Latest first</caption>
      <thead>
        <tr>
          <th scope="col">Began</th>
          <th scope="col">Last request</th>
          <th scope="col">From</th>
          <th scope="col">State</th>
        </tr>
      </thead>
      <tbody>
        {props.sessions.map((session) => (
          <tr key={session.id}>
            <td data-label="Began">
              <Moment at={session.startedAt} />
            </td>
            <td data-label="Last request">
              <Moment at={session.seenAt} />
            </td>
            <td data-label="From">
              <Verbatim>{session.source}</Verbatim>
              <span class="small">
                {' '}
                <Verbatim>{session.agent}</Verbatim>
              </span>
            </td>
            <td data-label="State">
              <SessionState session={session} token={props.token} />
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

function SessionState(props: {
  readonly session: SessionView;
  readonly token: string;
}): JSX.Element {
  const { session, token } = props;
  if (session.ended !== null) {
    return (
      <span class="small">
        Ended <Moment at={session.ended.at} />: {session.ended.reason}
      </span>
    );
  }
  if (session.isThisOne) return <strong>This one</strong>;
  return (
    <OwnForm action={`/account/sessions/${session.id}/end`} token={token} class="inline-form">
      <button type="submit" class="plain" aria-label={`End the sign-in from ${session.source}`}>
        End it
      </button>
    </OwnForm>
  );
}

function RefusedTable({ refused }: { readonly refused: readonly RefusedTryView[] }): JSX.Element {
  if (refused.length === 0) return <p class="none">Nothing in the last entries of the trail.</p>;
  return (
    <table>
      <caption>Latest first; if it was not you, tell an administrator</caption>
      <thead>
        <tr>
          <th scope="col">When</th>
          <th scope="col">From</th>
          <th scope="col">Why</th>
        </tr>
      </thead>
      <tbody>
        {refused.map((entry, index) => (
          <tr key={String(index)}>
            <td data-label="When">
              <Moment at={entry.at} />
            </td>
            <td data-label="From">
              <Verbatim>{entry.source}</Verbatim>
            </td>
            <td data-label="Why">{entry.reason}</td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

export function renderAccount(view: AccountView): string {
  return renderPage(<AccountPage view={view} />);
}
