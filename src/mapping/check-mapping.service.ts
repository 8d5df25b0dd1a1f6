import { type MappingDocument, MESSAGE_NAMES, type MessageName } from '../site/mapping-document.js';
import type { MappingSource } from '../site/mapping-source.js';
import { inReadingOrder, type RuleFault, type SiteFault } from '../site/site-fault.js';
import { placed } from '../site/yaml-source.js';
import { compileBarePath } from './bare-path.js';
import { buildPayload, growPayload } from './build-payload.service.js';
import { compileMapping } from './compiled-mapping.js';
import type { ExpressionPool } from './expression.pool.js';
import { mappingRuleFaults } from './mapping-rules.js';
import { releaseVocabularyFaults } from './release-vocabulary.js';
import { sampleSubjects } from './sample-subjects.js';
import { writtenCodeFaults } from './shared-codes.js';

/**
 * Everything that can be found about a mapping before it is used: its own rules, sources that do not
 * exist, contracts, expressions run on full samples, the release vocabulary and open review marks. A
 * mapping with any fault is not activated.
 */
export async function checkMapping(
  mapping: MappingSource,
  pool: ExpressionPool,
): Promise<SiteFault[]> {
  const { document } = mapping;
  const faults: RuleFault[] = [
    ...mapping.reviews.map(({ path, text }) => ({
      path,
      rule: 'open-review-mark',
      message: `a review is open: ${text}`,
      remedy: 'Settle it and remove the mark.',
    })),
    ...mappingRuleFaults(document),
    ...unknownSourceFaults(document),
  ];
  const compiled = compileMapping(mapping);
  if (!compiled.ok) faults.push(...compiled.faults);
  // Payloads are built only from a mapping that holds together: the builder relies on these rules.
  else if (faults.every((fault) => !BUILD_RELIES_ON.has(fault.rule))) {
    const build = (subject: Parameters<typeof buildPayload>[1]) =>
      buildPayload(compiled.mapping, subject, pool);
    faults.push(...(await releaseVocabularyFaults(document, build)));
    const grow = (subject: Parameters<typeof buildPayload>[1]) =>
      growPayload(compiled.mapping, subject, pool);
    faults.push(...(await writtenCodeFaults(document, grow)));
  }
  return inReadingOrder(faults.map((fault) => placed(mapping.source, fault)));
}

const BUILD_RELIES_ON = new Set([
  'payload-name',
  'payload-collision',
  'xml-root',
  'field-source',
  'unknown-table',
]);

/** Bare paths that lead nowhere even in a subject that has everything: most are misspelt. */
function unknownSourceFaults(document: MappingDocument): RuleFault[] {
  const samples = new Map(sampleSubjects().map((subject) => [subject.message, subject]));
  return MESSAGE_NAMES.flatMap((name: MessageName) =>
    (document.messages[name]?.fields ?? []).flatMap((field, index): RuleFault[] => {
      const getter = field.from === undefined ? null : compileBarePath(field.from);
      if (!getter || hasValue(getter(samples.get(name)))) return [];
      return [
        {
          path: ['messages', name, 'fields', index, 'from'],
          rule: 'unknown-source',
          message: `the ${name} subject has no ${field.from ?? ''}`,
          remedy: 'Correct the path; docs and the canonical schemas list what a subject holds.',
        },
      ];
    }),
  );
}

function hasValue(found: unknown): boolean {
  return Array.isArray(found) ? found.length > 0 : found !== undefined && found !== null;
}
