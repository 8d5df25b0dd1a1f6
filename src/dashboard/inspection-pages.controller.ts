import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import type { InspectionLiftView, InspectionsView } from '../receipts/inspection-view.js';
import type { SignatureManifest } from '../signatures/signature.js';
import {
  readInspection,
  readInspectionId,
  readInspectionLift,
} from '../statements/inspection-request.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { inspectionFields } from './inspection-fields.js';
import { renderInspectionLift } from './inspection-lift.page.js';
import { renderInspections } from './inspections.page.js';
import { INSPECTIONS_SOURCE, type InspectionsSource } from './inspections-source.js';
import { PageSite } from './page-site.js';
import { inspectionLiftPath, inspectionsPath } from './receipt-path.js';
import { signedAt, signedHere } from './signed-form.js';
import { type SignedPage, SignedPages } from './signed-pages.service.js';

const RECEIPT_ID_LENGTH_MAX = 200;

const SIGNED = signedHere(
  'The count is entered. It stands below, and in the trail.',
  (view: InspectionsView) =>
    namedBy(view, (entry) => (entry.lift === undefined ? entry.signatureId : null)),
);

interface LiftShown {
  readonly view: InspectionLiftView;
  readonly inspections: InspectionsView;
}

const LIFTED = signedHere(
  'The count is lifted. The signature stands below, and in the trail.',
  ({ view, inspections }: LiftShown) =>
    namedBy(inspections, ({ id, lift }) =>
      id === view.inspection?.id && lift?.isValid === true ? lift.signatureId : null,
    ),
);

/** Signatures that counts of a receipt name. */
function namedBy(
  { inspections, signatures }: InspectionsView,
  nameOf: (entry: InspectionsView['inspections'][number]) => string | null,
): SignatureManifest[] {
  const named = new Set(inspections.map(nameOf));
  return signatures.filter(({ signatureId }) => named.has(signatureId));
}

/** Inspections of a receipt's labels and for damage: what was counted, and the forms that enter a count and lift one. */
@Controller('/receipts')
export class InspectionPagesController {
  readonly #inspections: InspectionsSource;
  readonly #pages: SignedPages;

  constructor(
    @Inject(INSPECTIONS_SOURCE) inspections: InspectionsSource,
    private readonly site: PageSite,
    clock: Clock,
  ) {
    this.#inspections = inspections;
    this.#pages = new SignedPages(site, clock);
  }

  @Get(':id/inspections')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#pages.show(this.#page(id), { request, reply }, done);
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
    await this.#pages.sign(this.#page(id), { request, reply }, async (fields) => {
      const asked = readInspection(inspectionFields(fields, timeZone));
      const who = signerOf(request.caller, asked.userName, asked.password);
      const answer = await this.#inspections.report(receiptId, asked.request, who);
      mustBeSigned(answer, receiptId, 'receipt');
      return signedAt(inspectionsPath(receiptId), answer.signature);
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
    await this.#pages.show(this.#liftPage(id, inspection), { request, reply }, done);
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
    await this.#pages.sign(this.#liftPage(id, inspection), { request, reply }, async (fields) => {
      const asked = readInspectionLift({ ...fields, inspection });
      const who = signerOf(request.caller, asked.userName, asked.password);
      const answer = await this.#inspections.lift(receiptId, asked.request, who);
      mustBeSigned(answer, receiptId, 'receipt');
      return signedAt(inspectionLiftPath(receiptId, asked.request.inspectionId), answer.signature);
    });
  }

  #page(id: string): SignedPage<InspectionsView> {
    return {
      load: async () => (id.length > RECEIPT_ID_LENGTH_MAX ? null : this.#inspections.show(id)),
      missing: 'no announced receipt has this id',
      right: 'result.review',
      signing: this.#inspections,
      arrived: SIGNED,
      render: renderInspections,
    };
  }

  #liftPage(id: string, inspection: unknown): SignedPage<LiftShown> {
    return {
      load: async () => {
        const inspectionId = readInspectionId(inspection);
        if (id.length > RECEIPT_ID_LENGTH_MAX) return null;
        const view = await this.#inspections.showLift(id, inspectionId);
        const inspections = view && (await this.#inspections.show(id));
        return view && inspections && { view, inspections };
      },
      missing: 'no receipt has an inspection of this id',
      right: 'stop.lift',
      signing: this.#inspections,
      arrived: LIFTED,
      render: ({ view: lift, ...shown }) => renderInspectionLift({ ...shown, ...lift }),
    };
  }
}
