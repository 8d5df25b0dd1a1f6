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

/** When the first byte of each stop came, by its id. */
const stops = new Map();
/** Messages that are held instead of answered, by reference, while it is told to. */
let holds = false;
const held = new Map();
/** References whose sender went away while they were held. */
const orphans = new Set();
let touched = null;

const server = createServer((request, response) => {
  const at = now();
  if (request.method === 'GET') return answerAsk(request.url, response);
  const chunks = [];
  request.on('data', (chunk) => chunks.push(chunk));
  request.on('end', () => {
    const body = Buffer.concat(chunks).toString('utf8');
    const store = request.url === '/inbound' ? storeXml : storeJson;
    if (holds) return hold(referenceIn(body), response, () => store(body, response, at));
    store(body, response, at);
  });
});
server.keepAliveTimeout = 60_000;

function referenceIn(body) {
  const [, xml, json] = /<Reference>([^<]*)<|"reference":"([^"]*)"/.exec(body) ?? [];
  return xml ?? json;
}

function hold(reference, response, answer) {
  held.set(reference, answer);
  response.on('close', () => {
    if (held.delete(reference)) orphans.add(reference);
  });
}

/** A message that its sender left behind is sent again or asked about. */
function touch(reference) {
  if (touched !== null && orphans.has(reference)) {
    touched.resolve(now());
    touched = null;
  }
}

function storeJson(body, response) {
  const { reference, messageType } = JSON.parse(body);
  keep(reference, messageType === 'result', body);
  response.writeHead(201, { 'content-type': 'application/json' });
  response.end(JSON.stringify({ stored: true, number: `L-${stored.size}`, reference }));
  note('stored', results);
}

function storeXml(body, response, at) {
  const [, reference] = /<Reference>([^<]*)<\/Reference>/.exec(body);
  const [, content] = /<Body>(.*)<\/Body>/s.exec(body);
  keep(reference, body.includes('<MessageType>result</MessageType>'), content);
  const [, stopId] = /<StopId>([^<]*)<\/StopId>/.exec(content) ?? [];
  if (stopId !== undefined && !stops.has(stopId)) stops.set(stopId, at);
  response.writeHead(200, { 'content-type': 'application/xml' });
  response.end(
    `<MessageReceipt><Number>E-${stored.size}</Number><Reference>${reference}</Reference></MessageReceipt>`,
  );
  note('stored', results);
}

function keep(reference, isResult, content) {
  touch(reference);
  if (stored.has(reference)) doubles += 1;
  else if (isResult) results += 1;
  stored.set(reference, { isResult, content });
}

const XML = 'application/xml';
const JSON_TYPE = 'application/json';
/** What the gateway looks at before it lets a *conforms* go: the description of a destination and its canary record. */
const DESCRIBED = new Map([
  [
    '/description',
    [
      XML,
      '<Description><Name>bench</Name><Version>1</Version><Environment>training</Environment></Description>',
    ],
  ],
  ['/canary', [XML, '<Canary><Decision>pass</Decision><Score>0.98</Score></Canary>']],
  [
    '/api/description',
    [JSON_TYPE, '{"system":{"name":"bench","version":"1"},"environment":"training"}'],
  ],
  ['/api/canary', [JSON_TYPE, '{"decision":"pass","score":"0.98"}']],
]);

function answerAsk(url, response) {
  const described = DESCRIBED.get(url);
  if (described !== undefined) {
    const [type, text] = described;
    response.writeHead(200, { 'content-type': type }).end(text);
    return;
  }
  const [path, reference] = url.split('?reference=');
  touch(reference);
  const isXml = path === '/messages';
  const kept = stored.get(decodeURIComponent(reference));
  if (kept === undefined)
    return answerNothing(response, { isAsked: reference !== undefined, isXml });
  if (isXml) {
    response.writeHead(200, { 'content-type': 'application/xml' });
    response.end(
      `<Messages><Message><Number>E-1</Number><Reference>${reference}</Reference><Applied>true</Applied><Content>${kept.content}</Content></Message></Messages>`,
    );
  } else {
    response.writeHead(200, { 'content-type': 'application/json' });
    response.end(`{"entries":[{"number":"L-1","applied":true,"content":${kept.content}}]}`);
  }
  if (kept.isResult) asked.add(reference);
  note('asked', asked.size);
}

/** Nothing is held: an empty list, since a 404 says nothing about a message. There is no other address to ask at. */
function answerNothing(response, { isAsked, isXml }) {
  if (!isAsked) response.writeHead(404).end();
  else if (isXml) response.writeHead(200, { 'content-type': XML }).end('<Messages/>');
  else response.writeHead(200, { 'content-type': JSON_TYPE }).end('{"entries":[]}');
}

function note(what, count) {
  const [first] = waits[what];
  if (first !== undefined && count >= first.count) {
    waits[what].shift();
    first.resolve(now());
  }
}

answerParent({
  listen: ({ port = 0 }) =>
    new Promise((resolve) => {
      server.listen(port, '127.0.0.1', () => resolve(`http://127.0.0.1:${server.address().port}`));
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
  stops: () => [...stops],
  /** From now on messages are held and not answered. */
  hold: () => {
    holds = true;
  },
  heldNow: () => held.size,
  orphaned: () => orphans.size,
  /** Answers what is held, holds no more, and says when an orphan is first sent again or asked about. */
  release: () => {
    holds = false;
    const first = new Promise((resolve) => {
      touched = { resolve };
    });
    const answers = [...held.values()];
    held.clear();
    for (const answer of answers) answer();
    return first;
  },
});

function counts() {
  return { stored: results, asked: asked.size, doubles };
}
