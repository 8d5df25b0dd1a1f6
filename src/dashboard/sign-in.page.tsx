import type { JSX } from 'preact';
import type { SiteView } from './day-view.js';
import { Field, Notice } from './form-parts.js';
import { Layout } from './layout.js';
import { renderPage } from './render-page.js';

export interface SignInView {
  readonly site: SiteView | null;
  /** Page of this gateway to go to afterwards, from `returnPath`. */
  readonly to: string;
  /** As it was typed before; empty at first. */
  readonly userName: string;
  /** Why the person sees this page; null when they asked for it. */
  readonly notice: { readonly title: string; readonly text: string } | null;
  /** False while nobody has an account. */
  readonly hasPeople: boolean;
}

function SignInPage({ view }: { readonly view: SignInView }): JSX.Element {
  return (
    <Layout title="Sign in" site={view.site} asOf={null} hasCautions={false}>
      <h1>Sign in</h1>
      {view.notice === null ? null : (
        <Notice tone="bad" title={view.notice.title}>
          <p>{view.notice.text}</p>
        </Notice>
      )}
      {view.hasPeople ? null : (
        <Notice tone="quiet" title="Nobody has an account yet">
          <p>
            The first administrator is made on the machine that runs the gateway:{' '}
            <code>drumline user create NAME --printed-name "…" --role administrator</code>
          </p>
        </Notice>
      )}
      <form method="post" action="/sign-in" class="form">
        <input type="hidden" name="to" value={view.to} />
        <Field
          id="user-name"
          name="user-name"
          label="User name"
          value={view.userName}
          autocomplete="username"
          isFocused={view.userName === ''}
        />
        <Field
          id="password"
          name="password"
          label="Password"
          type="password"
          autocomplete="current-password"
          isFocused={view.userName !== ''}
        />
        <button type="submit">Sign in</button>
      </form>
      {view.to === '/' ? null : (
        <p class="small">
          You will come to <code>{view.to}</code>. If you followed a link from elsewhere and are
          signed in already, <a href={view.to}>go on to the page</a>: a link from another place does
          not bring the sign-in along.
        </p>
      )}
      <p class="small">
        What you do while you are signed in is written down under your name. Sign out when you leave
        the computer. Whoever has forgotten the password asks an administrator for a new one.
      </p>
    </Layout>
  );
}

export function renderSignIn(view: SignInView): string {
  return renderPage(<SignInPage view={view} />);
}
