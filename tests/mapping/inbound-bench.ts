import { type InboundMapped, mapInbound } from '../../src/mapping/inbound-map.service.js';
import { type InboundRead, readInbound } from '../../src/site/inbound-source.js';
import { inboundSchema } from '../../src/site/schemas.files.js';
import { poolForFile } from '../support/mapping-bench.js';

/** Maps documents by a mapping file written in the test. */
export function inboundBench() {
  const pool = poolForFile();
  return async (yaml: string, document: string | Uint8Array): Promise<InboundMapped> => {
    const read = readInboundText(yaml);
    if (!read.ok) throw new Error(JSON.stringify(read.faults));
    const bytes = typeof document === 'string' ? Buffer.from(document) : document;
    return mapInbound({ document: read.inbound.document, timeZone: 'Europe/London', pool }, bytes);
  };
}

export function readInboundText(yaml: string): InboundRead {
  return readInbound({ 'wms.inbound.yaml': yaml }, 'wms', inboundSchema());
}

/** A mapping of one message, its head and its fields as the test writes them. */
export function inboundYaml(head: string, fields: readonly string[], message = 'announce'): string {
  const lines = fields.map((field) => `      - ${field}`).join('\n');
  return `source: wms\ntitle: Test\n${head}\nmessages:\n  ${message}:\n    fields:\n${lines}\n`;
}
