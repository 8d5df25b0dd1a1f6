import {
  type MappingDocument,
  MESSAGE_NAMES,
  type MessageMapping,
  type MessageName,
} from '../site/mapping-document.js';
import type { DocumentPath, RuleFault } from '../site/site-fault.js';
import { barePathSteps } from './bare-path.js';
import { fieldFaults } from './field-rules.js';
import { areConfusable } from './permit-reading.js';
import { listTemplateFault, placeholders, templateFault } from './request-path.js';
import { FAVOURABLE } from './shared-codes.js';
import { REQUIRED_SOURCES, subjectPlaces } from './source-rules.js';

/** Every fault of a mapping that can be seen without running it. */
export function mappingRuleFaults(document: MappingDocument): RuleFault[] {
  const messages = MESSAGE_NAMES.flatMap((name): [MessageName, MessageMapping][] => {
    const message = document.messages[name];
    return message ? [[name, message]] : [];
  });
  return [
    ...messages.flatMap(([name, message]) => [
      ...fieldFaults(document, name, message),
      ...requiredSourceFaults(document, name, message),
      ...requestFaults(name, message),
      ...writtenFaults(name, message),
    ]),
    ...permitFaults(document),
    ...listFaults(document),
    ...describeFaults(document),
    ...unusedTableFaults(document),
  ];
}

function requiredSourceFaults(
  document: MappingDocument,
  name: MessageName,
  message: MessageMapping,
): RuleFault[] {
  return REQUIRED_SOURCES[name].flatMap((source): RuleFault[] => {
    const field = message.fields.find((f) => f.from === source && f.required);
    const path = ['messages', name, 'fields'];
    if (!field) {
      return [
        {
          path,
          rule: 'source-not-mapped',
          message: `the ${name} message carries no required field from ${source}`,
          remedy: `Add a field with from: ${source}; it cannot be left out.`,
        },
      ];
    }
    const table = field.table === undefined ? undefined : document.tables[field.table];
    const isTellingApart = /\.(?:environment|origin)$/.test(source);
    if (
      !table ||
      !isTellingApart ||
      new Set(Object.values(table)).size === Object.keys(table).length
    ) {
      return [];
    }
    return [
      {
        path: ['messages', name, 'fields', message.fields.indexOf(field), 'table'],
        rule: 'source-mapped-away',
        message: `table ${field.table ?? ''} gives several values of ${source} one code`,
        remedy: 'Give each its own code: it may not be mapped away.',
      },
    ];
  });
}

function requestFaults(name: MessageName, message: MessageMapping): RuleFault[] {
  const faults: RuleFault[] = [];
  const at = (...rest: DocumentPath): DocumentPath => ['messages', name, ...rest];
  const request = (path: DocumentPath, detail: string, remedy: string) =>
    faults.push({ path, rule: 'request', message: detail, remedy });
  const send = templateFault(message.request.path);
  if (send) request(at('request', 'path'), send, 'Write a path relative to the base address.');
  if (message.request.method === 'GET') {
    request(at('request', 'method'), 'a message is sent with POST or PUT', 'Correct the method.');
  }
  const { readBack } = message;
  if (!readBack) return faults;
  const ask = templateFault(readBack.request.path);
  if (ask)
    request(at('readBack', 'request', 'path'), ask, 'Write a path relative to the base address.');
  if (readBack.request.method !== 'GET') {
    request(
      at('readBack', 'request', 'method'),
      'a question changes nothing: it is a GET',
      'Write GET.',
    );
  }
  const about = subjectPlaces(name, message);
  if (readBack.revision !== null && !readBack.compare.some(({ sent }) => about.has(sent))) {
    faults.push({
      path: at('readBack', 'revision'),
      rule: 'revision-of-anything',
      message: 'a later revision is looked for, and nothing compared says what it is a revision of',
      remedy: `Compare ${[...about].join(' or ') || 'what the message is about'} too.`,
    });
  }
  if (placeholders(readBack.request.path).length === 0) {
    request(
      at('readBack', 'request', 'path'),
      'the question names no particular message',
      'Ask by {deliveryId}, {key} or a value of the payload.',
    );
  }
  return faults;
}

/** Places that answers are compared with have to be there in every payload. */
function writtenFaults(name: MessageName, message: MessageMapping): RuleFault[] {
  const always = new Set(message.fields.filter((f) => f.required).map((f) => f.to));
  const all = new Set(message.fields.map((f) => f.to));
  const pointer = (template: string) => placeholders(template).filter((p) => p.startsWith('/'));
  const readBack = message.readBack;
  const uses: {
    readonly sent: string;
    readonly path: DocumentPath;
    readonly mayBeAbsent?: boolean;
  }[] = [
    ...message.answer.echo.map(({ sent }, i) => ({ sent, path: ['answer', 'echo', i, 'sent'] })),
    ...pointer(message.request.path).map((sent) => ({ sent, path: ['request', 'path'] })),
    ...(readBack?.compare ?? []).map(({ sent }, i) => ({
      sent,
      path: ['readBack', 'compare', i, 'sent'],
      mayBeAbsent: true,
    })),
    ...(readBack?.revision
      ? [{ sent: readBack.revision.sent, path: ['readBack', 'revision', 'sent'] }]
      : []),
    ...pointer(readBack?.request.path ?? '').map((sent) => ({
      sent,
      path: ['readBack', 'request', 'path'],
    })),
  ];
  return uses
    .filter(({ sent, mayBeAbsent }) => !(mayBeAbsent === true ? all : always).has(sent))
    .map(({ sent, path }) => ({
      path: ['messages', name, ...path],
      rule: 'not-in-payload',
      message: `${sent} is not written by ${all.has(sent) ? 'a required field' : 'any field'} of the ${name} message`,
      remedy: 'Correct the place, or map a required field to it.',
    }));
}

/** A list must name its period, and its pages where it has several. */
function listFaults({ list, messages }: MappingDocument): RuleFault[] {
  if (list === null) return [];
  const faults: RuleFault[] = [];
  const fault = (path: DocumentPath, message: string, remedy: string) =>
    faults.push({ path: ['list', ...path], rule: 'request', message, remedy });
  const { path, method } = list.request;
  const detail = listTemplateFault(path);
  if (detail !== null) fault(['request', 'path'], detail, 'Correct the path of the request.');
  if (method !== 'GET') fault(['request', 'method'], 'a list changes nothing', 'Write GET.');
  const names = placeholders(path);
  const needed = ['from', 'to', ...(list.next === null ? [] : ['cursor'])];
  const missing = needed.filter((name) => !names.includes(name));
  if (missing.length > 0) {
    fault(
      ['request', 'path'],
      `the request lacks ${missing.map((name) => `{${name}}`).join(' and ')}`,
      'Ask for a period, and for the page after a cursor where the answer names one.',
    );
  }
  const unread = MESSAGE_NAMES.filter((name) => messages[name] && !messages[name].readBack);
  if (unread.length > 0) {
    fault(
      [],
      `the ${unread.join(' and ')} message has no readBack, so nothing says what is compared`,
      'Give each message a readBack: what a list shows is compared by its fields.',
    );
  }
  return faults;
}

function describeFaults({ describe }: MappingDocument): RuleFault[] {
  if (describe === null) return [];
  const requests: [DocumentPath, NonNullable<MappingDocument['describe']>['request']][] = [
    [['describe', 'request'], describe.request],
    ...(describe.canary
      ? ([[['describe', 'canary', 'request'], describe.canary.request]] as [
          DocumentPath,
          typeof describe.request,
        ][])
      : []),
  ];
  return requests.flatMap(([path, { method, path: template }]): RuleFault[] => {
    const detail =
      method === 'GET' ? templateFault(template) : 'a look at a destination changes nothing';
    const names = placeholders(template);
    const found =
      detail ?? (names.length > 0 ? `{${names[0] ?? ''}} stands for nothing here` : null);
    if (found === null) return [];
    return [
      { path, rule: 'request', message: found, remedy: 'Write a plain GET of one document.' },
    ];
  });
}

/** Permitting values must be written by the statement, and no code at their places may hold another. */
function permitFaults(document: MappingDocument): RuleFault[] {
  const faults = document.permits.flatMap(({ at }, index): RuleFault[] => {
    const field = document.messages.statement?.fields.find((f) => f.to === at);
    if (field) return [];
    return [
      {
        path: ['permits', index, 'at'],
        rule: 'not-in-payload',
        message: `${at} is not written by the statement message`,
        remedy: 'Name the place where the destination looks for the permission.',
      },
    ];
  });
  return [...faults, ...codeFaults(document), ...sharedCodeFaults(document)];
}

const DECIDING = /(?:^|\.)(?:decision|outcome|kind)$/;

/** Tables through which decisions, outcomes and stop kinds pass, by the fields that use them. */
function decidingTables(document: MappingDocument): string[] {
  const places = new Set(document.permits.map((permit) => permit.at));
  const fields = MESSAGE_NAMES.flatMap((name) => document.messages[name]?.fields ?? []);
  const used = fields.filter(
    (f) =>
      places.has(f.to) || (f.from !== undefined && barePathSteps(f.from) && DECIDING.test(f.from)),
  );
  return [...new Set(used.flatMap((f) => (f.table === undefined ? [] : [f.table])))];
}

/** No code of a table says of one thing that it is well and of another that it is not. */
function sharedCodeFaults(document: MappingDocument): RuleFault[] {
  return decidingTables(document).flatMap((name) => {
    const rows = Object.entries(document.tables[name] ?? {});
    return rows.flatMap(([value, code]): RuleFault[] => {
      if (FAVOURABLE.has(value)) return [];
      const good = rows.find(([other, its]) => FAVOURABLE.has(other) && its === code);
      if (good === undefined) return [];
      return [
        {
          path: ['tables', name, 'rows', value],
          rule: 'code-shared',
          message: `${value} has the code of ${good[0]}, ${JSON.stringify(code)}`,
          remedy: `Give ${value} a code of its own: at the destination nobody could tell it from ${good[0]}.`,
        },
      ];
    });
  });
}

function codeFaults(document: MappingDocument): RuleFault[] {
  return decidingTables(document).flatMap((name) => {
    const rows = Object.entries(document.tables[name] ?? {});
    return rows.flatMap(([value, code], index): RuleFault[] => {
      const clash = rows
        .slice(0, index)
        .find(([, other]) => other !== code && areConfusable(other, code));
      if (!clash) return [];
      return [
        {
          path: ['tables', name, 'rows', value],
          rule: 'code-contains-code',
          message: `the code ${JSON.stringify(code)} of ${value} and the code ${JSON.stringify(clash[1])} of ${clash[0]} contain one another`,
          remedy: 'Choose codes none of which is a part of another, whatever the case.',
        },
      ];
    });
  });
}

function unusedTableFaults(document: MappingDocument): RuleFault[] {
  const fields = MESSAGE_NAMES.flatMap((name) => document.messages[name]?.fields ?? []);
  const used = new Set(fields.map((field) => field.table));
  return Object.keys(document.tables)
    .filter((name) => !used.has(name))
    .map((name) => ({
      path: ['tables', name],
      onKey: true,
      rule: 'unused-table',
      message: `no field uses table ${name}`,
      remedy: 'Remove it, or name it in the field it was made for.',
    }));
}
