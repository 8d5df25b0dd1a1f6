import { createTransport } from 'nodemailer';
import type { EscalationMail } from '../site/site-folder.js';

export interface Mail {
  readonly subject: string;
  readonly text: string;
}

export type MailOutcome =
  | { readonly kind: 'sent'; readonly detail: string }
  | { readonly kind: 'failed'; readonly detail: string };

const STEP_MS_MAX = 10_000;
const WHOLE_MS_MAX = 30_000;
const DETAIL_MAX = 500;

/**
 * Hands a mail to the site's server and says what came of it; never throws, and never takes longer than half a
 * minute. That the server took it does not say that anybody has read it.
 *
 * @param password null where the server asks for none
 */
export async function sendMail(
  server: EscalationMail,
  password: string | null,
  mail: Mail,
): Promise<MailOutcome> {
  const transport = createTransport({
    host: server.host,
    port: server.port,
    secure: server.tls === 'implicit',
    requireTLS: server.tls === 'starttls',
    ignoreTLS: server.tls === 'none',
    connectionTimeout: STEP_MS_MAX,
    greetingTimeout: STEP_MS_MAX,
    socketTimeout: STEP_MS_MAX,
    disableFileAccess: true,
    disableUrlAccess: true,
    ...(server.user === undefined || password === null
      ? {}
      : { auth: { user: server.user, pass: password } }),
  });
  let timer: NodeJS.Timeout | undefined;
  const late = new Promise<never>((_resolve, reject) => {
    timer = setTimeout(
      () => reject(new Error(`no answer within ${WHOLE_MS_MAX / 1000} s`)),
      WHOLE_MS_MAX,
    );
  });
  try {
    const sending = transport.sendMail({ from: server.from, to: [...server.to], ...mail });
    const { response, rejected } = await Promise.race([sending, late]);
    if (rejected.length > 0) {
      return failed(
        `the server refused ${rejected.length} of ${server.to.length} recipients`,
        password,
      );
    }
    return { kind: 'sent', detail: clean(response, password) };
  } catch (error) {
    return failed(error instanceof Error ? error.message : String(error), password);
  } finally {
    clearTimeout(timer);
    transport.close();
  }
}

function failed(detail: string, password: string | null): MailOutcome {
  return { kind: 'failed', detail: clean(detail, password) };
}

/** What a server answers is kept short, on one line, and never with the password in it. */
function clean(text: string, password: string | null): string {
  const line = text.replace(/\p{C}+/gu, ' ').slice(0, DETAIL_MAX);
  return password === null || password === '' ? line : line.replaceAll(password, '***');
}
