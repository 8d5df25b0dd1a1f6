// What a gateway costs at least: takes bundles over HTTP, runs the same checks, builds the same AnIML and
// posts each result to both destinations. It keeps nothing, so whatever it holds is lost when it stops, and
// it asks nobody whether anything arrived.
import { createServer } from 'node:http';
import { Pool } from 'undici';
import { loadBundleSchema } from '../dist/checks/bundle-schema.files.js';
import { examineBundle } from '../dist/checks/examine-bundle.js';
import { writeAniml } from '../dist/records/animl-writer.js';
import { buildResultRecord } from '../dist/records/build-record.js';
import { loadSiteFolder } from '../dist/site/site-folder.files.js';
import { answerParent } from './child.mjs';

const CONNECTIONS = 50;
const validateSchema = loadBundleSchema();
let site;
let sink;
let animlBytes = 0;

const server = createServer((request, response) => {
  const chunks = [];
  request.on('data', (chunk) => chunks.push(chunk));
  request.on('end', () => {
    void take(Buffer.concat(chunks)).then(
      (taken) => response.writeHead(202).end(JSON.stringify({ taken })),
      (error) => response.writeHead(500).end(String(error)),
    );
  });
});
server.keepAliveTimeout = 60_000;

async function take(bytes) {
  const receivedAt = Date.now() * 1000;
  const examination = examineBundle(bytes, site, { now: receivedAt, validateSchema });
  if (examination.kind === 'unreadable') throw new Error(examination.finding.message);
  const sends = [];
  for (const examined of examination.results) {
    const held = [...examination.bundleFindings, ...examined.findings].find(
      (finding) => finding.severity === 'hold',
    );
    if (held !== undefined) throw new Error(`${held.pointer}: ${held.message}`);
    const record = buildResultRecord({
      bundle: examination.document,
      result: examined.result,
      pointer: examined.pointer,
      revision: 1,
      rawSha256: examination.rawSha256,
      receivedAt,
      recheck: examined.recheck,
      spectrum: examined.spectrum,
      remarkCodes: examined.findings.map((finding) => finding.code),
    });
    animlBytes += writeAniml(record, examined.values).length;
    sends.push(post('/api/identity-results', 'application/json', jsonOf(record)));
    sends.push(post('/inbound', 'application/xml', xmlOf(record)));
  }
  await Promise.all(sends);
  return sends.length;
}

async function post(path, type, body) {
  const headers = { 'content-type': type, authorization: 'Bearer simulated' };
  const answer = await sink.request({ method: 'POST', path, headers, body });
  await answer.body.dump();
  if (answer.statusCode >= 300) throw new Error(`${path} answered ${answer.statusCode}`);
}

function jsonOf(record) {
  return JSON.stringify({
    reference: `${record.resultId}-json`,
    messageType: 'result',
    environment: record.environment,
    origin: record.origin,
    resultId: record.resultId,
    receipt: record.receipt.scanned,
    container: record.container.scanned,
    material: record.material,
    lot: record.lot,
    decision: record.decision,
    score: record.score.value,
    threshold: record.score.threshold,
    recheck: record.recheck.answer,
    method: record.method.id,
    methodVersion: record.method.version,
    instrument: record.instrument.serial,
    runNumber: record.run.number,
    operator: record.operator.id,
    measuredAt: record.measuredAt.reported,
  });
}

function xmlOf(record) {
  return (
    `<IdentityMessage><Header><Reference>${record.resultId}-xml</Reference><MessageType>result</MessageType></Header>` +
    `<Body><Environment>${record.environment}</Environment><Origin>${record.origin}</Origin>` +
    `<Receipt>${record.receipt.scanned}</Receipt><Lot>${record.lot}</Lot><Container>${record.container.scanned}</Container>` +
    `<Material>${record.material}</Material><ResultId>${record.resultId}</ResultId><Decision>${record.decision}</Decision>` +
    `<Score>${record.score.value}</Score><Method>${record.method.id}</Method><Instrument>${record.instrument.serial}</Instrument>` +
    `<MeasuredAt>${record.measuredAt.reported}</MeasuredAt></Body></IdentityMessage>`
  );
}

answerParent({
  open: async ({ siteFolder, sinkUrl }) => {
    const loaded = await loadSiteFolder(siteFolder, {});
    if (!loaded.ok) throw new Error(loaded.faults[0].message);
    site = loaded.site;
    sink = new Pool(sinkUrl, { connections: CONNECTIONS, pipelining: 1 });
    await new Promise((resolve) => {
      server.listen(0, '127.0.0.1', resolve);
    });
    return `http://127.0.0.1:${server.address().port}`;
  },
  animlBytes: () => animlBytes,
});
