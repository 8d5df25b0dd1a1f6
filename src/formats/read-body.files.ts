import type { IncomingMessage } from 'node:http';
import type { Readable } from 'node:stream';

/** Collects a request body up to a limit; null as soon as it is passed, without reading the rest. */
export async function readBody(stream: Readable, bytesMax: number): Promise<Buffer | null> {
  const chunks: Buffer[] = [];
  let size = 0;
  for await (const chunk of stream) {
    const bytes = chunk as Buffer;
    size += bytes.length;
    if (size > bytesMax) return null;
    chunks.push(bytes);
  }
  return Buffer.concat(chunks, size);
}

/**
 * The same for a body that may be large. One that states a size of at least `sharedFrom` bytes is put as it comes where
 * other threads read it too, so that its megabytes are not copied in one go. Memory is taken up as bytes arrive, not as they
 * are announced.
 */
export async function readLargeBody(
  request: IncomingMessage,
  bytesMax: number,
  sharedFrom: number,
): Promise<Buffer | null> {
  const stated = Number(request.headers['content-length'] ?? Number.NaN);
  if (!(stated >= sharedFrom && stated <= bytesMax)) return readBody(request, bytesMax);
  const body = Buffer.from(new SharedArrayBuffer(stated));
  let size = 0;
  // The parser of the server lets no more through than the header states, and fails when less comes.
  for await (const chunk of request) {
    body.set(chunk as Buffer, size);
    size += (chunk as Buffer).length;
  }
  return body.subarray(0, size);
}
