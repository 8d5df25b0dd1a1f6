import type { JSX } from 'preact';
import { render } from 'preact-render-to-string';
import type { ProblemDetails } from '../problem-details.js';
import { Layout } from './layout.js';

function MessagePage(props: { readonly title: string; readonly text: string }): JSX.Element {
  return (
    <Layout title={props.title} site={null} asOf={null}>
      <h1>{props.title}</h1>
      <p>{props.text}</p>
      <p class="crumb">
        <a href="/">The day</a>
      </p>
    </Layout>
  );
}

/** Pages open without a key on the gateway's own machine only; a browser elsewhere cannot send one. */
const PAGES_WITHOUT_KEY =
  'Pages open without a key only in a browser on the machine that runs the gateway.';

/** Why there is no page, in the words that programs get as problem details. */
export function renderProblem({ title, advice, status }: ProblemDetails): string {
  const heading = title.replace(/\.$/, '');
  const text = status === 401 ? `${PAGES_WITHOUT_KEY} Elsewhere: ${advice}` : advice;
  return `<!doctype html>${render(<MessagePage title={heading} text={text} />)}`;
}

/** The page of a receipt nobody announced and nothing was measured on. */
export function renderUnknownReceipt(receiptId: string): string {
  const text = `No receipt line with the id “${receiptId}” was announced or measured. Its statement is incomplete, never conforms.`;
  return `<!doctype html>${render(<MessagePage title="Unknown receipt line" text={text} />)}`;
}

/** An address that names no day. */
export function renderNoDay(text: string): string {
  const words = `“${text}” is no calendar day. Days are written like 2026-11-25.`;
  return `<!doctype html>${render(<MessagePage title="No such day" text={words} />)}`;
}
