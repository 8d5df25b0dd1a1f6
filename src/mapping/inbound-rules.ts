import {
  INBOUND_CHANGES,
  type InboundChange,
  type InboundDocument,
  type InboundField,
} from '../site/inbound-document.js';
import type { DocumentPath, RuleFault } from '../site/site-fault.js';
import { readExpression } from './expression-rules.js';
import { inboundSteps } from './inbound-path.js';
import { INBOUND_TARGETS, type InboundTarget, PART_TARGETS } from './inbound-targets.js';
import { REFUSED_FUNCTIONS } from './source-rules.js';

/** Faults of an inbound mapping that can be seen without running anything. */
export function inboundRuleFaults(document: InboundDocument): RuleFault[] {
  const faults = [...pathFaults(document), ...changeFaults(document)];
  for (const name of INBOUND_CHANGES) {
    const message = document.messages[name];
    if (!message) continue;
    const at = ['messages', name];
    const context = { document, roots: ROOTS, targets: INBOUND_TARGETS[name] };
    faults.push(...fieldsFaults(message.fields, context, [...at, 'fields']));
    if (message.parts === null) continue;
    const { each, fields } = message.parts;
    faults.push(...rootFault(each, ROOTS, [...at, 'parts', 'each']));
    const ofPart = { document, roots: [...ROOTS, 'part'], targets: PART_TARGETS };
    faults.push(...fieldsFaults(fields, ofPart, [...at, 'parts', 'fields']));
  }
  return faults;
}

const ROOTS: readonly string[] = ['line', 'head'];

interface Context {
  readonly document: InboundDocument;
  readonly roots: readonly string[];
  readonly targets: Readonly<Record<string, InboundTarget>>;
}

function fault(path: DocumentPath, rule: string, message: string, remedy: string): RuleFault {
  return { path, rule, message, remedy };
}

function pathFaults({ format, lines, groupBy, separator }: InboundDocument): RuleFault[] {
  const faults: RuleFault[] = [];
  if (lines !== null && (format === 'csv' || inboundSteps(lines) === null)) {
    faults.push(
      fault(
        ['lines'],
        'inbound-path',
        format === 'csv'
          ? 'a CSV file has one line a row'
          : `${JSON.stringify(lines)} is no path, expected names with dots between`,
        'Write a path from the top of the document such as Deliveries.Delivery.Position, or leave it out.',
      ),
    );
  }
  if (groupBy !== null) faults.push(...rootFault(groupBy, ['line'], ['groupBy']));
  if (separator !== null && format !== 'csv') {
    const message = `a separator for ${format}`;
    faults.push(fault(['separator'], 'inbound-path', message, 'Leave it out.'));
  }
  return faults;
}

function rootFault(path: string, roots: readonly string[], at: DocumentPath): RuleFault[] {
  const steps = inboundSteps(path);
  if (steps !== null && steps.length > 1 && roots.includes(steps[0] ?? '')) return [];
  return [
    fault(
      at,
      'inbound-path',
      `${JSON.stringify(path)} is no path that begins with ${roots.join(' or ')}`,
      'Write a path such as line.Batch; a name with other characters stands between backticks.',
    ),
  ];
}

function changeFaults({ change, messages, tables }: InboundDocument): RuleFault[] {
  const known = INBOUND_CHANGES.filter((name) => messages[name] !== undefined);
  if (change === null) {
    if (known.length === 1) return [];
    const message = `${known.length} messages and nothing that says which a line asks for`;
    return [fault(['messages'], 'inbound-change', message, 'Add change with from and table.')];
  }
  const faults = rootFault(change.from, ROOTS, ['change', 'from']);
  const table = Object.hasOwn(tables, change.table) ? tables[change.table] : undefined;
  if (table === undefined) {
    return [...faults, unknownTable(['change', 'table'], change.table)];
  }
  for (const code of new Set(Object.values(table))) {
    if (known.includes(code as InboundChange)) continue;
    const message = `table ${change.table} yields ${code}, expected one of ${known.join(', ')}`;
    faults.push(
      fault(['change', 'table'], 'inbound-change', message, 'Map the message, or correct the row.'),
    );
  }
  return faults;
}

function unknownTable(at: DocumentPath, name: string): RuleFault {
  const remedy = 'Add it under tables, or correct the name.';
  return fault(at, 'unknown-table', `there is no table ${name}`, remedy);
}

function fieldsFaults(
  fields: readonly InboundField[],
  context: Context,
  at: DocumentPath,
): RuleFault[] {
  const faults: RuleFault[] = [];
  const seen = new Set<string>();
  for (const [index, field] of fields.entries()) {
    const here = [...at, index];
    if (seen.has(field.to)) {
      const message = `${field.to} is filled in twice`;
      faults.push(fault([...here, 'to'], 'inbound-target', message, 'Keep one of the two.'));
    }
    seen.add(field.to);
    const target = Object.hasOwn(context.targets, field.to) ? context.targets[field.to] : undefined;
    if (target === undefined) {
      const message = `there is no ${field.to}, expected one of ${Object.keys(context.targets).join(', ')}`;
      faults.push(fault([...here, 'to'], 'inbound-target', message, 'Correct the name.'));
    } else {
      faults.push(...fieldFaults(field, target, context, here));
    }
  }
  for (const [name, { required }] of Object.entries(context.targets)) {
    if (!required || seen.has(name)) continue;
    faults.push(
      fault(at, 'inbound-target', `nothing fills in ${name}`, 'Add a field; it has to be there.'),
    );
  }
  return faults;
}

function fieldFaults(
  field: InboundField,
  target: InboundTarget,
  context: Context,
  at: DocumentPath,
): RuleFault[] {
  const faults: RuleFault[] = [];
  const add = (key: string, rule: string, message: string, remedy: string) =>
    faults.push(fault([...at, key], rule, message, remedy));
  const { from, join, constant, to } = field;
  if ([from, join, constant].filter((given) => given !== undefined).length !== 1) {
    add('to', 'field-source', `${to} has none or several of from, join and constant`, 'Give one.');
  }
  // A list may be empty: labels are often printed after the delivery was announced.
  if (target.required && !field.required && !target.list) {
    add('required', 'inbound-target', `${to} cannot be left out`, 'Leave required out.');
  }
  if (constant !== undefined && target.source !== 'any') {
    add(
      'constant',
      'identifier-altered',
      `${to} has to come from the document`,
      'Map it from where the source says it.',
    );
  }
  if (join !== undefined && !target.identifier) {
    add('join', 'field-source', `${to} is not joined`, 'Write an expression.');
  }
  for (const path of join?.of ?? [])
    faults.push(...rootFault(path, context.roots, [...at, 'join', 'of']));
  if (from !== undefined) faults.push(...sourceFaults(from, target, context.roots, at));
  if (field.table !== undefined) {
    if (target.identifier) add('table', 'identifier-altered', `${to} takes no table`, 'Remove it.');
    else if (!Object.hasOwn(context.document.tables, field.table)) {
      faults.push(unknownTable([...at, 'table'], field.table));
    }
  }
  if (field.splitAt !== undefined && !target.list) {
    add('splitAt', 'field-source', `${to} holds one value`, 'Leave splitAt out.');
  }
  if (field.siteTime === true && !target.isInstant) {
    add('siteTime', 'field-source', `${to} is no instant`, 'Leave siteTime out.');
  }
  return faults;
}

function sourceFaults(
  from: string,
  target: InboundTarget,
  roots: readonly string[],
  at: DocumentPath,
): RuleFault[] {
  const path = [...at, 'from'];
  if (target.source === 'path' || inboundSteps(from) !== null) return rootFault(from, roots, path);
  const read = readExpression(from);
  if (!read.ok) {
    return [fault(path, 'expression-invalid', read.detail, 'Correct the JSONata expression.')];
  }
  return [...read.variables]
    .filter((name) => REFUSED_FUNCTIONS.has(name))
    .map((name) =>
      fault(
        path,
        'expression-function',
        `$${name} is not accepted in a mapping`,
        'The same document has to yield the same lines each time: use a value of the document.',
      ),
    );
}
