import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import {
  readInspection,
  readInspectionId,
  readInspectionLift,
} from '../statements/inspection-request.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { formSigner } from './form-signer.js';
import { inspectionFields } from './inspection-fields.js';
import { renderInspectionLift } from './inspection-lift.page.js';
import { renderInspections } from './inspections.page.js';
import { INSPECTIONS_SOURCE, type InspectionsSource } from './inspections-source.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { inspectionLiftPath, inspectionsPath } from './receipt-path.js';
import { answerSignedForm, NOTHING_SAID, type Said, signedAt, signedSaid } from './signed-form.js';

const RECEIPT_ID_LENGTH_MAX = 200;

const SIGNED = signedSaid('The count is entered. It stands below, and in the trail.');

const LIFTED = signedSaid('The count is lifted. The signature stands below, and in the trail.');

/** Inspections of a receipt's labels and for damage: what was counted, and the forms that enter a count and lift one. */
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

  @Get(':id/inspection-lift')
  @RequireRight('pages.read', { isForMachine: true })
  async liftPage(
    @Param('id') id: string,
    @Query('inspection') inspection: unknown,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const said = done === 'signed' ? LIFTED : NOTHING_SAID;
    await this.#showLift(id, inspection, request, reply, said);
  }

  @Post(':id/inspection-lift')
  @RequireRight('stop.lift')
  async lift(
    @Param('id') id: string,
    @Query('inspection') inspection: unknown,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const receiptId = id.slice(0, RECEIPT_ID_LENGTH_MAX);
    await answerSignedForm({
      request,
      reply,
      timeZone: this.site.view.timeZone,
      sign: async (fields) => {
        const asked = readInspectionLift({ ...fields, inspection });
        const who = signerOf(request.caller, asked.userName, asked.password);
        const answer = await this.#inspections.lift(receiptId, asked.request, who);
        mustBeSigned(answer, receiptId, 'receipt');
        return `${inspectionLiftPath(receiptId, asked.request.inspectionId)}&done=signed`;
      },
      show: (said) => this.#showLift(id, inspection, request, reply, said),
    });
  }

  async #showLift(
    id: string,
    inspection: unknown,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    said: Said,
  ): Promise<void> {
    const inspectionId = readInspectionId(inspection);
    const isId = id.length <= RECEIPT_ID_LENGTH_MAX;
    const view = isId ? await this.#inspections.showLift(id, inspectionId) : null;
    const inspections = view && (await this.#inspections.show(id));
    if (view === null || inspections === null) {
      throw new Problem('not-found', 'no receipt has an inspection of this id');
    }
    const page = renderInspectionLift({
      view,
      inspections,
      frame: this.site.frame(request.caller, this.clock.now()),
      signer: await formSigner(request, 'stop.lift', this.#inspections),
      said,
    });
    await reply.status(said.status).headers(FORM_PAGE_HEADERS).send(page);
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
