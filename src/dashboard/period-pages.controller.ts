import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import type { SignedAddendum } from '../reconciliation/period-document.js';
import { writePeriod } from '../reconciliation/period-forms.files.js';
import { readPeriod } from '../reconciliation/period-query.js';
import type { PeriodReport } from '../reconciliation/period-report.js';
import { readReportFormat } from '../reconciliation/report-forms.files.js';
import { siteDay } from '../reconciliation/site-day.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import {
  type ClosingAnswer,
  type ClosingRequest,
  mustBeClosed,
} from '../statements/period-view.js';
import { REASON_MAX, readSignedText, signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import type { NoticeView } from './account-view.js';
import { formSigner } from './form-signer.js';
import { FORM_PAGE_HEADERS, PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { renderClosing, renderPeriod } from './period.page.js';
import { renderPeriodList } from './period-list.page.js';
import { periodPath } from './period-path.js';
import {
  PERIOD_SOURCE,
  PERIOD_VIEW_SOURCE,
  type PeriodSource,
  type PeriodViewSource,
} from './period-source.js';
import { inPlainWords } from './plain-text.js';
import {
  answerSignedForm,
  NOTHING_SAID,
  refusedNotice,
  type Said,
  signedAt,
  signedHere,
} from './signed-form.js';

const ID_LENGTH_MAX = 100;

const SIGNED = signedHere(
  'It is closed. The signature stands below, and in the trail.',
  (report: PeriodReport) => [
    report.signature,
    ...report.addenda.flatMap(({ signature }) => signature ?? []),
  ],
);

/** Days and periods: what is closed, what closing one signs, and the forms that sign. */
@Controller('/periods')
export class PeriodPagesController {
  readonly #periods: PeriodSource;
  readonly #views: PeriodViewSource;

  constructor(
    @Inject(PERIOD_SOURCE) periods: PeriodSource,
    @Inject(PERIOD_VIEW_SOURCE) views: PeriodViewSource,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {
    this.#periods = periods;
    this.#views = views;
  }

  @Get()
  @RequireRight('pages.read', { isForMachine: true })
  async list(
    @Query('before') before: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    if (before !== undefined && siteDay(before, this.site.view.timeZone) === null) {
      throw new Problem('query-invalid', 'before: expected a day (2026-11-25)');
    }
    await this.#list(before ?? null, request, reply, 200, null, null);
  }

  /** What closing a period would sign; a period that may not be closed is told on the list. */
  @Get('close')
  @RequireRight('pages.read', { isForMachine: true })
  async closing(
    @Query('from') from: string | undefined,
    @Query('to') to: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#propose(from, to, request, reply, NOTHING_SAID);
  }

  @Post('close')
  @RequireRight('period.close')
  async close(
    @Query('from') from: string | undefined,
    @Query('to') to: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#close(
      request,
      reply,
      (closing, who) =>
        this.#periods.close(readPeriod(from, to, this.site.view.timeZone), closing, who),
      (said) => this.#propose(from, to, request, reply, said),
    );
  }

  @Get(':id')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#show(id, request, reply, done ?? NOTHING_SAID);
  }

  /** The same as a file, in one of the forms of a report. */
  @Get(':id/document')
  @RequireRight('pages.read', { isForMachine: true })
  async document(
    @Param('id') id: string,
    @Query('format') format: string | undefined,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const form = readReportFormat(format);
    const report = id.length > ID_LENGTH_MAX ? null : await this.#views.report(id);
    if (report === null) throw new Problem('not-found', 'no period has this id');
    const { type, body } = await writePeriod(report, form);
    const name = `period-${report.period.from.slice(0, 10)}-${report.id}.${form}`;
    await reply
      .headers({
        ...PAGE_HEADERS,
        'content-type': type,
        'content-disposition': `attachment; filename="${name}"`,
      })
      .send(body);
  }

  @Post(':id/addenda/:number')
  @RequireRight('period.close')
  async closeAddendum(
    @Param('id') id: string,
    @Param('number') number: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const periodId = id.slice(0, ID_LENGTH_MAX);
    await this.#close(
      request,
      reply,
      (closing, who) => this.#periods.closeAddendum(periodId, Number(number), closing, who),
      (said) => this.#show(id, request, reply, said),
    );
  }

  async #close(
    request: AuthenticatedRequest,
    reply: FastifyReply,
    close: (closing: ClosingRequest, who: SigningRequest) => Promise<ClosingAnswer>,
    show: (said: Said) => Promise<void>,
  ): Promise<void> {
    await answerSignedForm({
      request,
      reply,
      timeZone: this.site.view.timeZone,
      sign: async (fields) => {
        const asked = readSignedText(fields, 'reason', REASON_MAX);
        const { shownSha256, text, userName, password } = asked;
        const who = signerOf(request.caller, userName, password);
        const answer = await close({ shownSha256, reason: text }, who);
        mustBeClosed(answer);
        return signedAt(periodPath(answer.id), answer.signature);
      },
      show,
    });
  }

  async #list(
    before: string | null,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    status: number,
    asked: { readonly from: string; readonly to: string } | null,
    notice: NoticeView | null,
  ): Promise<void> {
    const list = await this.#views.days(before);
    const page = renderPeriodList({
      list,
      frame: this.site.frame(request.caller, this.clock.now()),
      asked,
      notice,
    });
    await reply.status(status).headers(FORM_PAGE_HEADERS).send(page);
  }

  async #propose(
    from: string | undefined,
    to: string | undefined,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    said: Said,
  ): Promise<void> {
    const asked = { from: (from ?? '').slice(0, 64), to: (to ?? '').slice(0, 64) };
    const refuse = (why: NoticeView) =>
      this.#list(null, request, reply, said.notice === null ? 422 : said.status, asked, why);
    let period: ReturnType<typeof readPeriod>;
    try {
      period = readPeriod(from, to, this.site.view.timeZone);
    } catch (error) {
      if (!(error instanceof Problem)) throw error;
      const why = { tone: 'bad', title: 'No period', text: error.detail } as const;
      return refuse(why);
    }
    const proposal = await this.#periods.propose(period);
    if ('rule' in proposal) {
      const detail = inPlainWords(proposal.message, this.site.view.timeZone);
      return refuse(said.notice ?? refusedNotice({ code: 'period-refused', detail }).notice);
    }
    const signer = await formSigner(request, 'period.close', this.#periods);
    const page = renderClosing({
      proposal,
      asked,
      frame: this.site.frame(request.caller, this.clock.now()),
      signer,
      said,
    });
    await reply.status(said.status).headers(FORM_PAGE_HEADERS).send(page);
  }

  async #show(
    id: string,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    arrived: Said | string,
  ): Promise<void> {
    const report = id.length > ID_LENGTH_MAX ? null : await this.#views.report(id);
    if (report === null) throw new Problem('not-found', 'no period has this id');
    const said = typeof arrived === 'string' ? SIGNED(arrived, report, request.caller) : arrived;
    const open = report.addenda.find((a) => a.signature === null);
    const proposal =
      open === undefined ? null : await this.#periods.proposeAddendum(id, open.number);
    const page = renderPeriod({
      report,
      addendum:
        proposal === null
          ? null
          : {
              signed: proposal.document as unknown as SignedAddendum,
              sha256: proposal.sha256,
            },
      frame: this.site.frame(request.caller, this.clock.now()),
      signer: await formSigner(request, 'period.close', this.#periods),
      said,
    });
    await reply.status(said.status).headers(FORM_PAGE_HEADERS).send(page);
  }
}
