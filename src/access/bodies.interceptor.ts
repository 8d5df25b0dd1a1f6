import {
  type CallHandler,
  type ExecutionContext,
  Injectable,
  type NestInterceptor,
} from '@nestjs/common';
import { finalize, type Observable } from 'rxjs';
import { BodiesUnderWay } from './bodies-under-way.js';

/**
 * Gives back what the body of a request took up, behind its handler. Not when the answer has left or the connection is gone: who
 * hangs up behind the last byte would send the next body while this one is still worked on.
 */
@Injectable()
export class BodiesInterceptor implements NestInterceptor {
  constructor(private readonly bodies: BodiesUnderWay) {}

  intercept(context: ExecutionContext, next: CallHandler): Observable<unknown> {
    const request = context.switchToHttp().getRequest<object>();
    return next.handle().pipe(finalize(() => this.bodies.release(request)));
  }
}
