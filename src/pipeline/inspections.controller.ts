import { Controller, Get, HttpCode, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { Problem } from '../problem-details.js';
import { signatureManifest } from '../signatures/signature.js';
import {
  readInspection,
  readInspectionId,
  readInspectionLift,
} from '../statements/inspection-request.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { InspectionsService } from './inspections.service.js';

const RECEIPT_ID_MAX = 200;

/** Labels and damage of a receipt: what its plans ask for by GET, what was counted by POST of the digest that was shown. */
@Controller('api/v1/receipts')
export class InspectionsController {
  constructor(private readonly inspections: InspectionsService) {}

  @Get(':id/inspections')
  @RequireRight('pages.read')
  async show(
    @Param('id') id: string,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const view = id.length > RECEIPT_ID_MAX ? null : await this.inspections.show(id);
    if (view === null) throw new Problem('not-found', 'no announced receipt has this id');
    void reply.header('etag', `"${view.sha256}"`).header('cache-control', 'private, no-cache');
    return view;
  }

  @Post(':id/inspections')
  @HttpCode(200)
  @RequireRight('result.review', { provesPerson: true })
  async report(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const asked = readInspection(fieldsOf(await readJsonBody(request)));
    const receiptId = id.slice(0, RECEIPT_ID_MAX);
    const answer = await this.inspections.report(
      receiptId,
      asked.request,
      signerOf(request.caller, asked.userName, asked.password),
    );
    mustBeSigned(answer, receiptId, 'receipt');
    const { inspectionId, signature } = answer;
    return { receiptId, inspectionId, signature: signatureManifest(signature) };
  }

  /** A count that rejected, and what lifting it would sign. */
  @Get(':id/inspection-lift')
  @RequireRight('pages.read')
  async showLift(
    @Param('id') id: string,
    @Query('inspection') asked: unknown,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const inspectionId = readInspectionId(asked);
    const view =
      id.length > RECEIPT_ID_MAX ? null : await this.inspections.showLift(id, inspectionId);
    if (view === null) throw new Problem('not-found', 'no receipt has an inspection of this id');
    void reply.header('etag', `"${view.sha256}"`).header('cache-control', 'private, no-cache');
    return view;
  }

  @Post(':id/inspection-lift')
  @HttpCode(200)
  @RequireRight('stop.lift', { provesPerson: true })
  async lift(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const asked = readInspectionLift(fieldsOf(await readJsonBody(request)));
    const receiptId = id.slice(0, RECEIPT_ID_MAX);
    const answer = await this.inspections.lift(
      receiptId,
      asked.request,
      signerOf(request.caller, asked.userName, asked.password),
    );
    mustBeSigned(answer, receiptId, 'receipt');
    const { inspectionId } = asked.request;
    return { receiptId, inspectionId, signature: signatureManifest(answer.signature) };
  }
}
