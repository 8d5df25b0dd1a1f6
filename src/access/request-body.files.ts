import type { IncomingMessage } from 'node:http';
import { readBody, readLargeBody } from '../formats/read-body.files.js';

/** A request whose sender was let through, maybe before all of its body was here. */
export interface AdmittedRequest {
  readonly raw: IncomingMessage;
  /**
   * Asks again whether the sender is let through, unless the last byte was here when they were; `caller` is then who they
   * are by now.
   *
   * @throws Problem that says why they are not
   */
  readonly admitAgain: () => Promise<void>;
  /**
   * Reserves memory for the body, until the handler has ended.
   *
   * @throws Problem when too much is under way already, of this sender or of all
   */
  readonly reserveBody: (bytes: number) => void;
}

/**
 * Collects the body of a request; null when it is longer than `bytesMax`. Every handler reads its body by this or by one of
 * its neighbours: a body may take two minutes, and whoever holds back its last byte would act by a right that was taken
 * from them meanwhile.
 *
 * @throws Problem when the sender is not let through any more, or there is no room for the body just now
 */
export async function readRequestBody(
  request: AdmittedRequest,
  bytesMax: number,
): Promise<Buffer | null> {
  reserve(request, bytesMax);
  const bytes = await readBody(request.raw, bytesMax);
  await request.admitAgain();
  return bytes;
}

/** The same for a body that may be large, see `readLargeBody`. */
export async function readLargeRequestBody(
  request: AdmittedRequest,
  bytesMax: number,
  sharedFrom: number,
): Promise<Buffer | null> {
  reserve(request, bytesMax);
  const bytes = await readLargeBody(request.raw, bytesMax, sharedFrom);
  await request.admitAgain();
  return bytes;
}

/** A body that does not say how long it is may become as long as it may be. */
function reserve({ raw, reserveBody }: AdmittedRequest, bytesMax: number): void {
  const stated = raw.headers['content-length'];
  reserveBody(stated === undefined ? bytesMax : Math.min(Number(stated), bytesMax));
}
