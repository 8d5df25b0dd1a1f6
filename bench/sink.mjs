// Both destinations in one process of their own: the wire forms of the stand-in LIMS (JSON) and ERP (XML),
// reduced to storing, answering and being asked, as fast as a plain server can. It counts results, and notes
// when the last one it waits for was answered and when it was last asked about.
import { createServer } from 'node:http';
import { answerParent, now } from './child.mjs';

const stored = new Map();
const asked = new Set();
let results = 0;
let doubles = 0;
/** What somebody waits for: how many results stored and how many asked about, over all rounds. */
const waits = { stored: [], asked: [] };

const server = createServer((request, response) => {
  if (request.method === 'GET') return answerAsk(request.url, response);
  const chunks = [];
  request.on('data', (chunk) => chunks.push(chunk));
  request.on('end', () => {
    const body = Buffer.concat(chunks).toString('utf8');
    if (request.url === '/inbound') storeXml(body, response);
    else storeJson(body, response);
  });
});
server.keepAliveTimeout = 60_000;

function storeJson(body, response) {
  const { reference, messageType } = JSON.parse(body);
  keep(reference, messageType === 'result', body);
  response.writeHead(201, { 'content-type': 'application/json' });
  response.end(JSON.stringify({ stored: true, number: `L-${stored.size}`, reference }));
  note('stored', results);
}

function storeXml(body, response) {
  const [, reference] = /<Reference>([^<]*)<\/Reference>/.exec(body);
  const [, content] = /<Body>(.*)<\/Body>/s.exec(body);
  keep(reference, body.includes('<MessageType>result</MessageType>'), content);
  response.writeHead(200, { 'content-type': 'application/xml' });
  response.end(
    `<MessageReceipt><Number>E-${stored.size}</Number><Reference>${reference}</Reference></MessageReceipt>`,
  );
  note('stored', results);
}

function keep(reference, isResult, content) {
  if (stored.has(reference)) doubles += 1;
  else if (isResult) results += 1;
  stored.set(reference, { isResult, content });
}

function answerAsk(url, response) {
  const [path, reference] = url.split('?reference=');
  const held = stored.get(decodeURIComponent(reference));
  if (held === undefined) {
    response.writeHead(404).end();
    return;
  }
  if (path === '/messages') {
    response.writeHead(200, { 'content-type': 'application/xml' });
    response.end(
      `<Messages><Message><Number>E-1</Number><Reference>${reference}</Reference><Applied>true</Applied><Content>${held.content}</Content></Message></Messages>`,
    );
  } else {
    response.writeHead(200, { 'content-type': 'application/json' });
    response.end(`{"entries":[{"number":"L-1","applied":true,"content":${held.content}}]}`);
  }
  if (held.isResult) asked.add(reference);
  note('asked', asked.size);
}

function note(what, count) {
  const [first] = waits[what];
  if (first !== undefined && count >= first.count) {
    waits[what].shift();
    first.resolve(now());
  }
}

answerParent({
  listen: () =>
    new Promise((resolve) => {
      server.listen(0, '127.0.0.1', () => resolve(`http://127.0.0.1:${server.address().port}`));
    }),
  /** Waits until so many more results than at `since` were stored, or asked about; answers when that was. */
  until: ({ what, since, more, deadlineMs }) =>
    new Promise((resolve, reject) => {
      const timer = setTimeout(
        () => reject(new Error(`only ${counts()[what] - since} of ${more} ${what} in time`)),
        deadlineMs,
      );
      const done = (at) => {
        clearTimeout(timer);
        resolve(at);
      };
      waits[what].push({ count: since + more, resolve: done });
      note(what, counts()[what]);
    }),
  counts,
});

function counts() {
  return { stored: results, asked: asked.size, doubles };
}
