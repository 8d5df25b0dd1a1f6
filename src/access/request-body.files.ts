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
}

/**
 * Collects the body of a request; null when it is longer than `bytesMax`. Every handler reads its body by this or by one of
 * its neighbours: a body may take two minutes, and whoever holds back its last byte would act by a right that was taken
 * from them meanwhile.
 *
 * @throws Problem when the sender is not let through any more
 */
export async function readRequestBody(
  request: AdmittedRequest,
  bytesMax: number,
): Promise<Buffer | null> {
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
  const bytes = await readLargeBody(request.raw, bytesMax, sharedFrom);
  await request.admitAgain();
  return bytes;
}
