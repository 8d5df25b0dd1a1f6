import type { ComponentChildren, JSX } from 'preact';
import { ANNOUNCE_PATH } from './announce-path.js';
import type { MomentView, SiteView } from './day-view.js';
import { Moment } from './marks.js';
import { ICON_PATH, STYLE_PATH } from './page-style.js';
import type { SignedIn } from './signed-in.js';
import { Sent, type TypedForm } from './typed-form.js';
import { Verbatim } from './verbatim.js';
import { ENVIRONMENT_WORDS } from './wording.js';

export interface LayoutProps {
  readonly title: string;
  readonly site: SiteView | null;
  readonly asOf: MomentView | null;
  readonly signedIn?: SignedIn | null;
  /** False for pages that show nothing anybody could act on. */
  readonly hasCautions?: boolean;
  /** A form of the page that was sent and not taken; its fields keep what was typed. */
  readonly sent?: TypedForm | null;
  readonly children: ComponentChildren;
}

/** The frame of every page: whose data it is, whether it is real, and what it must not be used for. */
export function Layout({
  title,
  site,
  asOf,
  signedIn = null,
  hasCautions = true,
  sent = null,
  children,
}: LayoutProps): JSX.Element {
  return (
    <html lang="en">
      <head>
        <meta charSet="utf-8" />
        <meta name="viewport" content="width=device-width, initial-scale=1" />
        <title>
          {site === null ? `${title} · Drumline` : `${title} · ${site.title} · Drumline`}
        </title>
        <link rel="stylesheet" href={STYLE_PATH} />
        <link rel="icon" href={ICON_PATH} type="image/svg+xml" />
      </head>
      <body>
        <a class="skip" href="#content">
          Skip to content
        </a>
        <header class="top">
          <a class="brand" href="/">
            Drumline
          </a>
          {site === null ? null : (
            <p class="where">
              <strong>{site.title}</strong> <span>{ENVIRONMENT_WORDS[site.environment]}</span>
            </p>
          )}
          {site === null ? null : <Places signedIn={signedIn} />}
          {asOf === null ? null : (
            <p class="as-of">
              As of <Moment at={asOf} />
            </p>
          )}
          {signedIn === null ? null : <WhoIsHere signedIn={signedIn} />}
        </header>
        {site === null ? null : <NotRealBanner site={site} />}
        <main id="content">
          <Sent.Provider value={sent}>{children}</Sent.Provider>
        </main>
        {hasCautions ? <Cautions /> : null}
      </body>
    </html>
  );
}

/** Where to go from here. Before there are people, everything is open at the machine itself. */
function Places({ signedIn }: { readonly signedIn: SignedIn | null }): JSX.Element {
  const canReadTrail = signedIn?.canReadTrail ?? true;
  return (
    <nav class="places" aria-label="Pages">
      <a href="/review">Held results</a>
      <a href="/deliveries">Stopped deliveries</a>
      <a href="/discrepancies">Discrepancies</a>
      <a href="/periods">Periods</a>
      <a href="/trace">Trace</a>
      <a href="/methods">Methods</a>
      <a href="/instruments">Instruments</a>
      {canReadTrail ? <a href="/trail">Trail</a> : null}
      {signedIn?.canAnnounce ? <a href={ANNOUNCE_PATH}>Announce a receipt</a> : null}
    </nav>
  );
}

/** Who acts on this page; a shared computer shows at a glance when it is somebody else. */
function WhoIsHere({ signedIn }: { readonly signedIn: SignedIn }): JSX.Element {
  return (
    <nav class="who" aria-label="Account">
      <span class="small">Signed in:</span> <Verbatim>{signedIn.printedName}</Verbatim>
      {signedIn.canManagePeople ? <a href="/people">People</a> : null}
      <a href="/account">Account and sign-out</a>
    </nav>
  );
}

function NotRealBanner({ site }: { readonly site: SiteView }): JSX.Element | null {
  if (!site.simulated && site.environment === 'production') return null;
  const name = ENVIRONMENT_WORDS[site.environment];
  return (
    <p class="banner" role="note">
      <strong>{site.simulated ? `Simulated data · ${name}` : `${name} environment`}</strong>{' '}
      {site.simulated
        ? 'Instruments, receipts and systems on this page are invented. Nothing here was measured on goods.'
        : 'Nothing on this page may be used to release goods.'}
    </p>
  );
}

function Cautions(): JSX.Element {
  return (
    <footer class="cautions">
      <h2>Before you act on this page</h2>
      <ul>
        <li>
          Drumline reports what was measured and delivered. It releases nothing: the quality unit
          does.
        </li>
        <li>
          A Raman result is one of several identity tests. The pharmacopoeia and the local procedure
          in force decide which tests a material needs.
        </li>
        <li>
          This page is a look at one moment and may be old. A release rests on the statement asked
          for at that time, and covers only the containers it lists.
        </li>
        <li>
          Measuring uses a laser: it can harm eyes, and can heat or ignite dark, energetic or
          solvent-wet materials. Follow the instrument’s instructions and the site’s laser and
          ignition rules.
        </li>
      </ul>
    </footer>
  );
}
