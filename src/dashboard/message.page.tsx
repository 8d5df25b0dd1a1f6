import type { JSX } from 'preact';
import { render } from 'preact-render-to-string';
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

/** The page of a receipt nobody announced and nothing was measured on. */
export function renderUnknownReceipt(receiptId: string): string {
  const text = `No receipt line with the id “${receiptId}” was announced or measured. Its statement is incomplete, never conforms.`;
  return `<!doctype html>${render(<MessagePage title="Unknown receipt line" text={text} />)}`;
}
