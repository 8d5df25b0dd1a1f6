import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import type { CauseAnswer } from '../statements/cause-view.js';
import { reviewProblem } from '../statements/review-answer.js';
import {
  REASON_MAX,
  readInvestigation,
  readSignedText,
  signerOf,
} from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import type { NoticeView } from './account-view.js';
import { formSigner } from './form-signer.js';
import { performanceCausePath } from './instrument-path.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { renderPerformanceCause } from './performance-cause.page.js';
import {
  PERFORMANCE_CAUSE_SOURCE,
  type PerformanceCauseSource,
} from './performance-cause-source.js';
import { refusedNotice, unreadNotice } from './signing-notice.js';

const ID_LENGTH_MAX = 100;

const SIGNED: NoticeView = {
  tone: 'good',
  title: 'Signed',
  text: 'The cause is signed. It stands below, on the page of the instrument, and in the trail.',
};

/** Why a performance check failed: what it leaves in doubt, and the form that signs its cause. */
@Controller('/performance-checks')
export class PerformanceCausePagesController {
  readonly #causes: PerformanceCauseSource;

  constructor(
    @Inject(PERFORMANCE_CAUSE_SOURCE) causes: PerformanceCauseSource,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {
    this.#causes = causes;
  }

  @Get(':id/cause')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#show(id, request, reply, 200, done === 'signed' ? SIGNED : null);
  }

  @Post(':id/cause')
  @RequireRight('result.review')
  async sign(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const rowId = id.slice(0, ID_LENGTH_MAX);
    let answer: CauseAnswer;
    try {
      const fields = Object.fromEntries(request.form ?? []);
      const investigation = readInvestigation(fields);
      const asked = readSignedText(fields, 'reason', REASON_MAX);
      const { shownSha256, text, userName, password } = asked;
      const who = signerOf(request.caller, userName, password);
      answer = await this.#causes.sign(rowId, { shownSha256, reason: text, investigation }, who);
    } catch (error) {
      if (!(error instanceof Problem)) throw error;
      await this.#show(id, request, reply, 422, unreadNotice(error.detail));
      return;
    }
    const problem = reviewProblem(answer, rowId);
    if (problem === null) {
      await reply
        .status(303)
        .header('location', `${performanceCausePath(rowId)}?done=signed`)
        .send();
      return;
    }
    const { status, notice } = refusedNotice(problem);
    await this.#show(id, request, reply, status, notice);
  }

  async #show(
    id: string,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    status: number,
    notice: NoticeView | null,
  ): Promise<void> {
    const view = id.length > ID_LENGTH_MAX ? null : await this.#causes.show(id);
    if (view === null) throw new Problem('not-found', 'no performance check has this id');
    const page = renderPerformanceCause({
      view,
      frame: this.site.frame(request.caller, this.clock.now()),
      signer: await formSigner(request, 'result.review', this.#causes),
      notice,
    });
    await reply.status(status).headers(FORM_PAGE_HEADERS).send(page);
  }
}
