/**
 * The mapping document is configuration, so its types live in the base folder `site/` (which may not
 * import a stage); this file keeps the address that stages know.
 */
export type {
  AnswerReceipt,
  CodeTable,
  Equivalence,
  FieldMapping,
  MappingDocument,
  MessageMapping,
  MessageName,
  Path,
  ReadBack,
  RequestTemplate,
} from '../site/mapping-document.js';
export { MESSAGE_NAMES } from '../site/mapping-document.js';
