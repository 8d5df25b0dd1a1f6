import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { readInspection } from '../statements/inspection-request.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { formSigner } from './form-signer.js';
import { inspectionFields } from './inspection-fields.js';
import { renderInspections } from './inspections.page.js';
import { INSPECTIONS_SOURCE, type InspectionsSource } from './inspections-source.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { inspectionsPath } from './receipt-path.js';
import { answerSignedForm, NOTHING_SAID, type Said, signedAt, signedSaid } from './signed-form.js';

const RECEIPT_ID_LENGTH_MAX = 200;

const SIGNED = signedSaid('The count is entered. It stands below, and in the trail.');

/** Inspections of a receipt's labels and for damage: what is asked for, what was counted, and the form that enters a count. */
@Controller('/receipts')
export class InspectionPagesController {
  readonly #inspections: InspectionsSource;

  constructor(
    @Inject(INSPECTIONS_SOURCE) inspections: InspectionsSource,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {
    this.#inspections = inspections;
  }

  @Get(':id/inspections')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#show(id, request, reply, done === 'signed' ? SIGNED : NOTHING_SAID);
  }

  @Post(':id/inspections')
  @RequireRight('result.review')
  async enter(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const receiptId = id.slice(0, RECEIPT_ID_LENGTH_MAX);
    const { timeZone } = this.site.view;
    await answerSignedForm({
      request,
      reply,
      timeZone,
      sign: async (fields) => {
        const asked = readInspection(inspectionFields(fields, timeZone));
        const who = signerOf(request.caller, asked.userName, asked.password);
        const answer = await this.#inspections.report(receiptId, asked.request, who);
        mustBeSigned(answer, receiptId, 'receipt');
        return signedAt(inspectionsPath(receiptId));
      },
      show: (said) => this.#show(id, request, reply, said),
    });
  }

  async #show(
    id: string,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    said: Said,
  ): Promise<void> {
    const view = id.length > RECEIPT_ID_LENGTH_MAX ? null : await this.#inspections.show(id);
    if (view === null) throw new Problem('not-found', 'no announced receipt has this id');
    const page = renderInspections({
      view,
      frame: this.site.frame(request.caller, this.clock.now()),
      signer: await formSigner(request, 'result.review', this.#inspections),
      said,
    });
    await reply.status(said.status).headers(FORM_PAGE_HEADERS).send(page);
  }
}
