import { Controller, Get, Header, Param, Req } from '@nestjs/common';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import type { StatementRecord } from '../records/statement-record.js';
import { FreshStatements } from './fresh-statements.js';

const RECEIPT_ID_MAX = 200;

@Controller('api/v1/receipts')
export class StatementsController {
  constructor(private readonly statements: FreshStatements) {}

  /** The proof that a release rests on (release-safety rule 18): never cached, 503 rather than stale. */
  @Get(':id/statement')
  @Header('cache-control', 'private, no-cache')
  @RequireRight('statement.read')
  async statement(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
  ): Promise<StatementRecord> {
    if (id.length > RECEIPT_ID_MAX) {
      throw new Problem('query-invalid', `a receipt id has at most ${RECEIPT_ID_MAX} characters`);
    }
    const statement = await this.statements.fresh(id, request.caller.id);
    if (!statement) {
      throw new Problem('answer-not-current', `receipt ${id}`, {}, { 'retry-after': '2' });
    }
    return statement;
  }
}
