import type { Caller } from '../access/caller.js';
import { ERRORS } from '../error-registry.js';
import { Problem } from '../problem-details.js';
import type { NoticeView } from './account-view.js';
import { inPlainWords } from './plain-text.js';
import { sentForm, type TypedForm } from './typed-form.js';

/** How a page with a form is shown: as it is, or with what came of the form. */
export interface Said {
  readonly status: number;
  readonly notice: NoticeView | null;
  /** What was typed into the form that could not be signed; null when none was sent. */
  readonly typed: TypedForm | null;
}

export const NOTHING_SAID: Said = { status: 200, notice: null, typed: null };

/** A page that was come to behind an act that was done. */
export function doneSaid(text: string, title: string): Said {
  return { status: 200, notice: { tone: 'good', title, text }, typed: null };
}

/** A signature that stands on a page; the last two are left out where only those are shown that hold. */
export interface StandingSignature {
  readonly signatureId: string;
  readonly userName: string;
  readonly validity?: 'valid' | 'void';
  readonly broken?: string | null;
}

/** What a page says to who comes to it with `?done=`. Anybody can write an address: what it says is looked up. */
export type Arrived<V> = (done: string, view: V, caller: Caller) => Said;

/**
 * Says that something was signed, where the address names a signature that stands on the page, that holds, and that
 * whoever looks made themselves. Nothing is said otherwise.
 *
 * @param signaturesOf those of the page, about what it says was signed
 */
export function signedHere<V>(
  text: string,
  signaturesOf: (view: V) => readonly StandingSignature[],
): Arrived<V> {
  const said = doneSaid(text, 'Signed');
  return (done, view, caller) => {
    const signature = signaturesOf(view).find(({ signatureId }) => signatureId === done);
    const holds = signature?.validity !== 'void' && (signature?.broken ?? null) === null;
    const isOwn = caller?.kind === 'person' && caller.userName === signature?.userName;
    return signature !== undefined && holds && isOwn ? said : NOTHING_SAID;
  };
}

/** Address of a page behind a signature that was made there, see `signedHere`. */
export function signedAt(path: string, signature: { readonly id: string }): string {
  return `${path}${path.includes('?') ? '&' : '?'}done=${encodeURIComponent(signature.id)}`;
}

interface SignedForm {
  readonly request: { readonly url: string; readonly form: URLSearchParams | null };
  readonly reply: {
    headers(values: Record<string, string>): unknown;
    redirect(to: string, status: number): unknown;
  };
  /** Zone in which instants are told. */
  readonly timeZone: string;
  /**
   * Reads the fields, has the act signed, and says where to go on.
   *
   * @throws Problem that says why nothing was signed
   */
  readonly sign: (fields: Readonly<Record<string, unknown>>) => Promise<string>;
  /** Shows the page of the form, with what is said of it. */
  readonly show: (said: Said) => Promise<void>;
}

/**
 * The way of every form that signs. Its fields are read and the act is signed; then the browser goes on to where the
 * signature stands. Whatever known problem comes up on the way is said on the page of the form, which keeps what was
 * typed, except the password. What nobody foresaw goes to the page of errors.
 */
export async function answerSignedForm({
  request,
  reply,
  timeZone,
  sign,
  show,
}: SignedForm): Promise<void> {
  let to: string;
  try {
    to = await sign(Object.fromEntries(request.form ?? []));
  } catch (error) {
    if (!(error instanceof Problem)) throw error;
    reply.headers({ ...error.headers });
    const detail = inPlainWords(error.detail, timeZone);
    const { status, notice } =
      error.code === 'query-invalid' ? unread(detail) : refusedNotice({ code: error.code, detail });
    await show({ status, notice, typed: sentForm(request) });
    return;
  }
  await reply.redirect(to, 303);
}

/** What a form says whose fields could not be read, so that nothing was asked for. */
function unread(text: string): { readonly status: number; readonly notice: NoticeView } {
  return { status: 422, notice: { tone: 'bad', title: 'Nothing was signed', text } };
}

/** What a form says when a rule refused it, and the HTTP status it says it with. */
export function refusedNotice({ code, detail }: Pick<Problem, 'code' | 'detail'>): {
  readonly status: number;
  readonly notice: NoticeView;
} {
  const { meaning, remedy, status } = ERRORS[code];
  return {
    status: status ?? 409,
    notice: { tone: 'bad', title: meaning.replace(/\.$/, ''), text: `${detail}. ${remedy}` },
  };
}
