import { Controller, Get } from '@nestjs/common';
import { RequireRight } from './access/access.guard.js';
import { Problem } from './problem-details.js';
import { OpenDatabase } from './storage/database.js';

/** Whether a process has to be started anew before it does anything more. */
export class ProcessStanding {
  /** @param whyAnew the reason, as it is now; null where there is none */
  constructor(readonly whyAnew: () => string | null) {}
}

@Controller('health')
export class HealthController {
  constructor(
    private readonly database: OpenDatabase,
    private readonly standing: ProcessStanding,
  ) {}

  /** The process answers. */
  @Get('live')
  @RequireRight('open')
  live(): { status: 'live' } {
    return { status: 'live' };
  }

  /** The database answers, so that a bundle can be taken, and nothing says that another process should rather do it. */
  @Get('ready')
  @RequireRight('open')
  async ready(): Promise<{ status: 'ready' }> {
    try {
      await this.database.db.selectFrom('instance').select('id').executeTakeFirst();
    } catch {
      // Whatever the reason, the database cannot take a bundle now; the log of the failing work names it.
      throw new Problem(
        'answer-not-current',
        'the database does not answer',
        {},
        { 'retry-after': '2' },
      );
    }
    const why = this.standing.whyAnew();
    if (why !== null) throw new Problem('answer-not-current', why);
    return { status: 'ready' };
  }
}
