import type { XmlElement } from '../formats/xml-tree.js';
import type { AnimlFinding } from './animl-finding.js';
import { type AnimlNode, animlRoot, childrenOf, everyNode, token } from './animl-nodes.js';
import { seriesFaults } from './animl-series.js';

/** Value element of every parameterType and seriesType (AnIML core 0.90). */
export const VALUE_ELEMENT: ReadonlyMap<string, string> = new Map([
  ['Int32', 'I'],
  ['Int64', 'L'],
  ['Float32', 'F'],
  ['Float64', 'D'],
  ['String', 'S'],
  ['Boolean', 'Boolean'],
  ['DateTime', 'DateTime'],
  ['PNG', 'PNG'],
  ['EmbeddedXML', 'EmbeddedXML'],
  ['SVG', 'SVG'],
]);

/**
 * Checks a parsed AnIML document, ours or another's, for what its schema leaves open: unique ids,
 * references that resolve, series of the declared length, values of the declared type, audit references.
 * Says nothing about what the schema does check; a document should pass both.
 */
export function animlFindings(tree: XmlElement): readonly AnimlFinding[] {
  const root = animlRoot(tree);
  if (root === null) return [];
  const nodes = [...everyNode(root)];
  return [
    ...uniqueIds(nodes),
    ...references(nodes),
    ...nodes.filter((node) => node.name === 'SeriesSet').flatMap(seriesFaults),
    ...valueTypes(nodes),
    ...auditReferences(nodes),
  ];
}

/** Attribute that must be unique, and the elements that carry it; `id` is one space over all elements. */
const UNIQUE: readonly (readonly [attribute: string, elements: readonly string[] | null])[] = [
  ['id', null],
  ['sampleID', ['Sample']],
  ['experimentStepID', ['ExperimentStep']],
  ['templateID', ['Template']],
  ['seriesID', ['Series']],
];

function uniqueIds(nodes: readonly AnimlNode[]): AnimlFinding[] {
  const findings: AnimlFinding[] = [];
  for (const [attribute, elements] of UNIQUE) {
    const first = new Map<string, string>();
    for (const node of nodes) {
      const value = node.attributes.get(attribute);
      if (value === undefined || (elements !== null && !elements.includes(node.name))) continue;
      const held = first.get(token(value));
      if (held === undefined) first.set(token(value), node.path);
      else {
        findings.push({
          rule: 'unique-ids',
          path: `${node.path}/@${attribute}`,
          message: `${JSON.stringify(value)} is already the ${attribute} of ${held}`,
        });
      }
    }
  }
  return findings;
}

interface ReferenceRule {
  readonly element: string;
  readonly attribute: string;
  readonly target: string;
  readonly targetAttribute: string;
}

const REFERENCES: readonly ReferenceRule[] = [
  {
    element: 'SampleReference',
    attribute: 'sampleID',
    target: 'Sample',
    targetAttribute: 'sampleID',
  },
  {
    element: 'ExperimentDataReference',
    attribute: 'experimentStepID',
    target: 'ExperimentStep',
    targetAttribute: 'experimentStepID',
  },
  {
    element: 'ExperimentStep',
    attribute: 'templateUsed',
    target: 'Template',
    targetAttribute: 'templateID',
  },
  {
    element: 'ParentDataPointReference',
    attribute: 'seriesID',
    target: 'Series',
    targetAttribute: 'seriesID',
  },
];

function references(nodes: readonly AnimlNode[]): AnimlFinding[] {
  return REFERENCES.flatMap(({ element, attribute, target, targetAttribute }) => {
    const known = new Set(
      nodes
        .filter((node) => node.name === target)
        .map((node) => token(node.attributes.get(targetAttribute) ?? '')),
    );
    return nodes
      .filter((node) => node.name === element && node.attributes.has(attribute))
      .filter((node) => !known.has(token(node.attributes.get(attribute) ?? '')))
      .map((node) => ({
        rule: 'references-resolve' as const,
        path: `${node.path}/@${attribute}`,
        message: `expected the ${targetAttribute} of a ${target} in this document, found ${JSON.stringify(node.attributes.get(attribute))}`,
      }));
  });
}

function valueTypes(nodes: readonly AnimlNode[]): AnimlFinding[] {
  const findings: AnimlFinding[] = [];
  for (const node of nodes) {
    if (node.name === 'Parameter') {
      const type = node.attributes.get('parameterType') ?? '';
      addWrongValues(findings, type, childrenWithout(node, ['Unit']));
    } else if (node.name === 'Series') {
      const type = node.attributes.get('seriesType') ?? '';
      addWrongValues(findings, type, seriesValues(node));
    }
  }
  return findings;
}

function seriesValues(series: AnimlNode): readonly AnimlNode[] {
  const single = childrenOf(series, 'IndividualValueSet').flatMap((set) => set.children);
  const automatic = childrenOf(series, 'AutoIncrementedValueSet')
    .flatMap((set) => set.children)
    .flatMap((part) => part.children);
  return [...single, ...automatic];
}

function addWrongValues(
  findings: AnimlFinding[],
  type: string,
  values: readonly AnimlNode[],
): void {
  const expected = VALUE_ELEMENT.get(token(type));
  for (const { name, path } of values) {
    if (name === expected) continue;
    const message =
      expected === undefined
        ? `${JSON.stringify(type)} is no AnIML value type`
        : `expected ${expected} for type ${type}, found ${name}`;
    findings.push({ rule: 'value-type', path, message });
  }
}

function childrenWithout(node: AnimlNode, names: readonly string[]): readonly AnimlNode[] {
  return node.children.filter((child) => !names.includes(child.name));
}

function auditReferences(nodes: readonly AnimlNode[]): AnimlFinding[] {
  const ids = new Set(nodes.map((node) => node.attributes.get('id')));
  const findings: AnimlFinding[] = [];
  for (const entry of nodes.filter((node) => node.name === 'AuditTrailEntry')) {
    const named = [
      ...childrenOf(entry, 'Reference').map((node) => [node.path, token(node.text)] as const),
      ...childrenOf(entry, 'Diff').map(
        (node) =>
          [`${node.path}/@changedItem`, token(node.attributes.get('changedItem') ?? '')] as const,
      ),
    ];
    for (const [path, id] of named) {
      if (ids.has(id)) continue;
      findings.push({
        rule: 'audit-references',
        path,
        message: `expected the id of an element of this document, found ${JSON.stringify(id)}`,
      });
    }
  }
  return findings;
}
