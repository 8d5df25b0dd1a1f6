import type { JSX } from 'preact';
import type { ProblemDetails } from '../problem-details.js';
import { Layout } from './layout.js';
import { renderPage } from './render-page.js';
import type { SignedIn } from './signed-in.js';

interface Message {
  readonly title: string;
  readonly text: string;
  /** What exactly was found; null when title and text say it all. */
  readonly detail: string | null;
  readonly to: { readonly href: string; readonly name: string };
  readonly signedIn: SignedIn | null;
}

function MessagePage({ title, text, detail, to, signedIn }: Message): JSX.Element {
  return (
    <Layout title={title} site={null} asOf={null} signedIn={signedIn}>
      <h1>{title}</h1>
      {detail === null ? null : <p>{detail}</p>}
      <p>{text}</p>
      <p class="crumb">
        <a href={to.href}>{to.name}</a>
      </p>
    </Layout>
  );
}

const DAY = { href: '/', name: 'The day' };
const ACCOUNT = { href: '/account', name: 'Account' };

/** Problems whose detail says more than their title and was written for people. */
const WITH_DETAIL: ReadonlySet<string> = new Set([
  'right-missing',
  'form-not-ours',
  'person-invalid',
  'duty-own-roles',
  'duty-last-administrator',
]);

/** Why there is no page, in the words that programs get as problem details. */
export function renderProblem(problem: ProblemDetails, signedIn: SignedIn | null = null): string {
  const { title, advice, code, detail } = problem;
  const page = (
    <MessagePage
      title={title.replace(/\.$/, '')}
      text={advice}
      detail={WITH_DETAIL.has(code) ? sentence(detail) : null}
      to={code === 'password-change-needed' ? ACCOUNT : DAY}
      signedIn={signedIn}
    />
  );
  return renderPage(page);
}

function sentence(text: string): string {
  return `${text.slice(0, 1).toUpperCase()}${text.slice(1)}${/[.!?]$/.test(text) ? '' : '.'}`;
}

/** The page of a receipt nobody announced and nothing was measured on. */
export function renderUnknownReceipt(receiptId: string, signedIn: SignedIn | null = null): string {
  const text = `No receipt line with the id “${receiptId}” was announced or measured. Its statement is incomplete, never conforms.`;
  const page = (
    <MessagePage
      title="Unknown receipt line"
      text={text}
      detail={null}
      to={DAY}
      signedIn={signedIn}
    />
  );
  return renderPage(page);
}

/** An address that names no day. */
export function renderNoDay(text: string): string {
  const words = `“${text}” is no calendar day. Days are written like 2026-11-25.`;
  return renderPage(
    <MessagePage title="No such day" text={words} detail={null} to={DAY} signedIn={null} />,
  );
}
