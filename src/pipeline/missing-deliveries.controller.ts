import { Controller, HttpCode, Param, Post, Req } from '@nestjs/common';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { AccountsService } from '../access/accounts.service.js';
import { actingPerson } from '../access/acting-person.service.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { readReason } from '../access/read-reason.js';
import { Problem } from '../problem-details.js';
import { MissingDeliveries } from './missing-deliveries.service.js';

/** Results of a receipt that a required destination was never sent. */
@Controller('api/v1/receipts')
export class MissingDeliveriesController {
  constructor(
    private readonly missing: MissingDeliveries,
    private readonly accounts: AccountsService,
  ) {}

  @Post(':id/deliveries')
  @HttpCode(200)
  @RequireRight('delivery.resend', { provesPerson: true })
  async plan(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const fields = fieldsOf(await readJsonBody(request));
    const reason = readReason(fields);
    const actor = await actingPerson(this.accounts, request.caller, 'delivery.resend', fields);
    const answer = await this.missing.plan(id, actor, reason);
    if (answer.kind === 'unknown') {
      throw new Problem('receipt-unknown', `receipt ${id.slice(0, 100)}`);
    }
    const { planned, withoutMessage, withoutWithdrawal, byHand } = answer;
    return { receiptId: id, planned, withoutMessage, withoutWithdrawal, byHand };
  }
}
