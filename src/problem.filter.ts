import { type ArgumentsHost, Catch, type ExceptionFilter, HttpException } from '@nestjs/common';
import type { FastifyReply, FastifyRequest } from 'fastify';
import type { Logger } from 'pino';
import { PAGE_HEADERS } from './dashboard/dashboard.controller.js';
import { renderProblem } from './dashboard/message.page.js';
import { Problem, type ProblemDetails, problemDetails } from './problem-details.js';
import { isUnavailable } from './storage/transaction-retry.js';

const RETRY_AFTER_SECONDS = '2';

/** Every failed request answers problem details; nothing of the process's insides leaves with it. */
@Catch()
export class ProblemFilter implements ExceptionFilter {
  constructor(private readonly log: Logger) {}

  catch(error: unknown, host: ArgumentsHost): void {
    const http = host.switchToHttp();
    const reply = http.getResponse<FastifyReply>();
    const request = http.getRequest<FastifyRequest>();
    const problem = this.#problemFor(error, request);
    if (error instanceof Problem) void reply.headers(error.headers);
    if (isUnavailable(error)) void reply.header('retry-after', RETRY_AFTER_SECONDS);
    if (isForPeople(request)) {
      void reply
        .status(problem.status)
        .headers({ ...PAGE_HEADERS, 'content-type': 'text/html; charset=utf-8' })
        .send(renderProblem(problem));
      return;
    }
    void reply
      .status(problem.status)
      .header('content-type', 'application/problem+json')
      .send(JSON.stringify(problem));
  }

  #problemFor(error: unknown, request: FastifyRequest): ProblemDetails {
    if (error instanceof Problem) return problemDetails(error.code, error.detail, error.extensions);
    if (error instanceof HttpException && error.getStatus() === 404) {
      return problemDetails('not-found', `${request.method} ${request.url}`);
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

/** A browser that asked for a page gets one; programs get problem details whatever they accept. */
function isForPeople({ method, url, headers }: FastifyRequest): boolean {
  if (method !== 'GET' || /^\/(api|health|assets)\//.test(url)) return false;
  return (headers.accept ?? '').includes('text/html');
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
