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
