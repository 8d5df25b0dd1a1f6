import { isXmlName } from '../formats/xml-text.js';
import type {
  FieldMapping,
  MappingDocument,
  MessageMapping,
  MessageName,
} from '../site/mapping-document.js';
import type { DocumentPath, RuleFault } from '../site/site-fault.js';
import { barePathSteps } from './bare-path.js';
import { readExpression } from './expression-rules.js';
import { stepsOf } from './payload-tree.js';
import {
  IDENTIFIER_NAMES,
  IDENTIFIER_SOURCES,
  MEMBER_FUNCTIONS,
  REFUSED_FUNCTIONS,
} from './source-rules.js';

/** Faults of one message's fields that can be seen without running anything. */
export function fieldFaults(
  document: MappingDocument,
  name: MessageName,
  message: MessageMapping,
): RuleFault[] {
  const faults = message.fields.flatMap((field, index) => {
    const at = (key: string): DocumentPath => ['messages', name, 'fields', index, key];
    return [
      ...placeFaults(field, document.format, at),
      ...sourceFaults(field, document, at),
      ...identifierFaults(field, at),
    ];
  });
  return [...faults, ...collisionFaults(name, message), ...rootFaults(document, name, message)];
}

type At = (key: string) => DocumentPath;

function placeFaults(field: FieldMapping, format: 'json' | 'xml', at: At): RuleFault[] {
  const steps = stepsOf(field.to);
  const bad = steps.find((step, index) => !isMemberName(step, format, index === steps.length - 1));
  if (bad === undefined) return [];
  return [
    {
      path: at('to'),
      rule: 'payload-name',
      message: `${JSON.stringify(bad)} in ${field.to} is no name a ${format.toUpperCase()} payload can have here`,
      remedy:
        'Name a member (in XML @name is an attribute, #text an own text, both last); lists come from list: true.',
    },
  ];
}

function isMemberName(step: string, format: 'json' | 'xml', isLast: boolean): boolean {
  if (/^\d+$/.test(step) || ['__proto__', 'constructor', 'prototype'].includes(step)) return false;
  if (format === 'json') return true;
  if (isLast && (step === '#text' || (step.startsWith('@') && isXmlName(step.slice(1)))))
    return true;
  return isXmlName(step);
}

function sourceFaults(field: FieldMapping, document: MappingDocument, at: At): RuleFault[] {
  const faults: RuleFault[] = [];
  const fault = (key: string, rule: string, message: string, remedy: string) =>
    faults.push({ path: at(key), rule, message, remedy });
  if ((field.from === undefined) === (field.constant === undefined)) {
    fault(
      'to',
      'field-source',
      `${field.to} has both or neither of from and constant`,
      'Give exactly one.',
    );
  }
  if (field.constant !== undefined && (field.table !== undefined || field.round || field.list)) {
    fault(
      'constant',
      'field-source',
      'a constant takes no table, rounding or list',
      'Write the final text.',
    );
  }
  if (field.table !== undefined && !Object.hasOwn(document.tables, field.table)) {
    fault(
      'table',
      'unknown-table',
      `there is no table ${field.table}`,
      'Add it under tables, or correct the name.',
    );
  }
  if (document.format === 'xml' && field.as !== 'text') {
    fault(
      'as',
      'leaf-type',
      `${field.as} in an XML payload, which is text always`,
      'Leave as out.',
    );
  }
  if (document.format === 'xml' && field.list === true && /\/[@#][^/]*$/.test(field.to)) {
    fault(
      'list',
      'leaf-type',
      'an attribute or own text holds one value',
      'Send the list as elements.',
    );
  }
  if (field.round && field.as === 'boolean') {
    fault('as', 'leaf-type', 'a rounded value is no boolean', 'Use text or number.');
  }
  if (field.from !== undefined && !barePathSteps(field.from)) {
    faults.push(...expressionFaults(field.from, at('from')));
  }
  return faults;
}

function expressionFaults(expression: string, path: DocumentPath): RuleFault[] {
  const read = readExpression(expression);
  if (!read.ok) {
    const remedy = 'Correct the JSONata expression.';
    return [{ path, rule: 'expression-invalid', message: read.detail, remedy }];
  }
  const faults: RuleFault[] = [];
  for (const name of [...read.variables].filter((v) => REFUSED_FUNCTIONS.has(v))) {
    faults.push({
      path,
      rule: 'expression-function',
      message: `$${name} is not accepted in a mapping`,
      remedy:
        'The same subject has to yield the same payload each time: use a value of the subject.',
    });
  }
  for (const source of [...read.paths].filter((p) => IDENTIFIER_SOURCES.has(p))) {
    faults.push({
      path,
      rule: 'identifier-altered',
      message: `the expression computes with ${source}, which names a thing`,
      remedy: `Map ${source} by itself with identifier: true.`,
    });
  }
  for (const name of [...read.loose].filter((n) => IDENTIFIER_NAMES.has(n))) {
    faults.push({
      path,
      rule: 'identifier-altered',
      message: `the expression computes with ${name} of a value it was handed, which may name a thing`,
      remedy:
        'Write its whole path from the top, and map what names a thing by itself with identifier: true.',
    });
  }
  const members = [...read.variables].filter((name) => MEMBER_FUNCTIONS.has(name));
  if (members.length > 0 || read.readsAll) {
    const by = members.map((name) => `$${name}`).join(', ') || 'a wildcard';
    faults.push({
      path,
      rule: 'identifier-altered',
      message: `${by} reads members whatever they are called, among them those that name a thing`,
      remedy: 'Name each member that is read.',
    });
  }
  return faults;
}

function identifierFaults(field: FieldMapping, at: At): RuleFault[] {
  const faults: RuleFault[] = [];
  const fault = (key: string, message: string, remedy: string) =>
    faults.push({ path: at(key), rule: 'identifier-altered', message, remedy });
  const { from } = field;
  if (!field.identifier) {
    if (from !== undefined && IDENTIFIER_SOURCES.has(from)) {
      fault(
        'from',
        `${from} names a thing and is not mapped as an identifier`,
        'Set identifier: true.',
      );
    }
    return faults;
  }
  if (from === undefined || !barePathSteps(from)) {
    fault(
      'to',
      `${field.to} is an identifier and does not come from a bare path`,
      'Write a path such as record.resultId.',
    );
  }
  if (field.table !== undefined)
    fault('table', 'an identifier takes no table', 'Remove the table.');
  if (field.round) fault('round', 'an identifier is not rounded', 'Remove the rounding.');
  if (field.as !== 'text') {
    fault(
      'as',
      'an identifier is sent as text, numbers lose leading zeros and digits',
      'Leave as out.',
    );
  }
  return faults;
}

function collisionFaults(name: MessageName, message: MessageMapping): RuleFault[] {
  const faults: RuleFault[] = [];
  for (const [index, field] of message.fields.entries()) {
    const earlier = message.fields
      .slice(0, index)
      .find(
        (f) =>
          f.to === field.to || field.to.startsWith(`${f.to}/`) || f.to.startsWith(`${field.to}/`),
      );
    if (earlier === undefined) continue;
    faults.push({
      path: ['messages', name, 'fields', index, 'to'],
      rule: 'payload-collision',
      message: `${field.to} and ${earlier.to} write to the same place`,
      remedy: 'Give each field a place of its own.',
    });
  }
  return faults;
}

function rootFaults(
  document: MappingDocument,
  name: MessageName,
  message: MessageMapping,
): RuleFault[] {
  if (document.format !== 'xml') return [];
  const first = stepsOf(message.fields[0]?.to ?? '')[0];
  return message.fields.flatMap((field, index): RuleFault[] => {
    const steps = stepsOf(field.to);
    if (steps[0] === first && !(steps.length === 1 && field.list === true)) return [];
    return [
      {
        path: ['messages', name, 'fields', index, 'to'],
        rule: 'xml-root',
        message: `${field.to} lies outside the root element ${first ?? ''}`,
        remedy: 'An XML payload has one root element: start every path with it.',
      },
    ];
  });
}
