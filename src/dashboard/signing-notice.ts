import { ERRORS } from '../error-registry.js';
import type { ReviewProblem } from '../statements/review-answer.js';
import type { NoticeView } from './account-view.js';

/** What a form says when its fields could not be read, so that nothing was asked for. */
export function unreadNotice(detail: string): NoticeView {
  return { tone: 'bad', title: 'Nothing was signed', text: detail };
}

/** What a form says when a rule refused the signature, and the HTTP status it says it with. */
export function refusedNotice({ code, detail }: Pick<ReviewProblem, 'code' | 'detail'>): {
  readonly status: number;
  readonly notice: NoticeView;
} {
  const { meaning, remedy, status } = ERRORS[code];
  return {
    status: status ?? 409,
    notice: { tone: 'bad', title: meaning.replace(/\.$/, ''), text: `${detail}. ${remedy}` },
  };
}
