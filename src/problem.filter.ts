import { type ArgumentsHost, Catch, type ExceptionFilter, HttpException } from '@nestjs/common';
import type { FastifyReply, FastifyRequest } from 'fastify';
import type { Logger } from 'pino';
import type { AuthenticatedRequest } from './access/access.guard.js';
import { returnPath } from './access/return-path.js';
import type { SiteView } from './dashboard/day-view.js';
import { renderProblem } from './dashboard/message.page.js';
import { FORM_POLICY, PAGE_HEADERS } from './dashboard/page-policy.js';
import { renderSignIn } from './dashboard/sign-in.page.js';
import { signedInOf } from './dashboard/signed-in.js';
import { SiteFolderOutdated } from './errors.js';
import { Problem, type ProblemDetails, problemDetails } from './problem-details.js';
import { isUnavailable } from './storage/transaction-retry.js';

const RETRY_AFTER_SECONDS = '2';

/** Every failed request answers problem details; nothing of the process's insides leaves with it. */
@Catch()
export class ProblemFilter implements ExceptionFilter {
  /** @param site whose sign-in page is shown to who has to sign in; null where nobody can */
  constructor(
    private readonly log: Logger,
    private readonly site: SiteView | null = null,
  ) {}

  catch(error: unknown, host: ArgumentsHost): void {
    const http = host.switchToHttp();
    const reply = http.getResponse<FastifyReply>();
    const request = http.getRequest<FastifyRequest>();
    const problem = this.#problemFor(error, request);
    if (error instanceof Problem) void reply.headers(error.headers);
    if (isUnavailable(error) || error instanceof SiteFolderOutdated) {
      void reply.header('retry-after', RETRY_AFTER_SECONDS);
    }
    if (isForPeople(request)) {
      this.#answerPerson(request, reply, problem);
      return;
    }
    void reply
      .status(problem.status)
      .header('content-type', 'application/problem+json')
      .send(JSON.stringify(problem));
  }

  #answerPerson(request: FastifyRequest, reply: FastifyReply, problem: ProblemDetails): void {
    const { client, caller } = request as Partial<AuthenticatedRequest>;
    const headers = { ...PAGE_HEADERS, 'content-type': 'text/html; charset=utf-8' };
    void reply.status(problem.status).headers(headers);
    if (this.site === null || problem.status !== 401 || client === undefined) {
      void reply.send(renderProblem(problem, signedInOf(caller)));
      return;
    }
    if (!client.isSecure) {
      const advice = problemDetails('connection-not-secure', 'the page needs a sign-in');
      void reply.status(advice.status).send(renderProblem(advice));
      return;
    }
    const page = renderSignIn({
      site: this.site,
      to: request.method === 'GET' ? returnPath(request.url) : '/',
      userName: '',
      hasPeople: true,
      notice: signInNotice(problem),
    });
    void reply.header('content-security-policy', FORM_POLICY).send(page);
  }

  #problemFor(error: unknown, request: FastifyRequest): ProblemDetails {
    if (error instanceof Problem) return problemDetails(error.code, error.detail, error.extensions);
    if (error instanceof HttpException && error.getStatus() === 404) {
      return problemDetails('not-found', `${request.method} ${request.url}`);
    }
    if (error instanceof SiteFolderOutdated) {
      this.log.error({ event: 'site-folder-outdated', err: error, requestId: request.id });
      return problemDetails('site-folder-outdated', `${request.method} ${request.url}`);
    }
    if (isUnavailable(error)) {
      this.log.error({ event: 'database-unavailable', err: error, requestId: request.id });
      return problemDetails('database-unavailable', `${request.method} ${request.url}`);
    }
    this.log.error({ event: 'request.failed', err: error, requestId: request.id });
    return problemDetails('request-failed', 'see the log of the gateway', {
      requestId: request.id,
    });
  }
}

/** Why somebody who asked for a page sees the sign-in page; nothing is said to who has not signed in yet. */
function signInNotice({ code, detail }: ProblemDetails): {
  readonly title: string;
  readonly text: string;
} | null {
  if (code !== 'session-over') return null;
  return {
    title: 'Your sign-in is over',
    text:
      detail === 'unknown'
        ? 'This gateway does not know it. Nothing of what you sent last was done.'
        : `Reason: ${detail}. Nothing of what you sent last was done.`,
  };
}

/** A browser that asked for a page, or sent a form, gets one; programs get problem details whatever they accept. */
function isForPeople({ url, headers }: FastifyRequest): boolean {
  return !/^\/(api|health|assets)\//.test(url) && (headers.accept ?? '').includes('text/html');
}

/** An address that cannot be read never reaches a route, nor the filter; it is answered alike. */
export function answerUnroutable(
  error: Error,
  _request: FastifyRequest,
  reply: FastifyReply,
): void {
  const problem = problemDetails('query-invalid', `the address cannot be read: ${error.message}`);
  void reply
    .status(problem.status)
    .header('content-type', 'application/problem+json')
    .send(JSON.stringify(problem));
}
