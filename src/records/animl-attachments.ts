import { type AnimlNode, childrenOf } from './animl-nodes.js';
import { heldText } from './held-text.js';

/** A file that stands beside a document and belongs to it, told by its digest. */
export interface AnimlAttachment {
  /** Without folder: it lies beside the document. */
  readonly fileName: string;
  readonly mediaType: string;
  /** Of its bytes, 64 lower-case hex digits. */
  readonly sha256: string;
}

/**
 * Attachments stand in a step of their own without technique, since our technique definition knows none and the core
 * schema has no element for them. They are named and not carried: the file beside the document is what counts.
 */
export const ATTACHMENTS = {
  step: 'Attachments',
  id: 'attachments',
  attachment: 'Attachment',
  fileName: 'File Name',
  mediaType: 'Media Type',
  sha256: 'SHA-256',
} as const;

/** True for the step that holds the attachments of a document of ours. */
export function isAttachmentStep(step: AnimlNode): boolean {
  return step.attributes.get('id') === ATTACHMENTS.id && nameOf(step) === ATTACHMENTS.step;
}

/** The attachments of a step; a text instead says what is wrong with it. */
export function attachmentsOf(step: AnimlNode): readonly AnimlAttachment[] | string {
  const found: AnimlAttachment[] = [];
  const categories = childrenOf(step, 'Result').flatMap((result) => childrenOf(result, 'Category'));
  for (const category of categories) {
    const text = (name: string) => {
      const parameters = childrenOf(category, 'Parameter').filter((one) => nameOf(one) === name);
      const [value] = parameters.flatMap((one) => childrenOf(one, 'S'));
      return parameters.length === 1 && value !== undefined ? heldText(value.text) : null;
    };
    const fileName = text(ATTACHMENTS.fileName);
    const mediaType = text(ATTACHMENTS.mediaType);
    const sha256 = text(ATTACHMENTS.sha256);
    if (fileName === null || mediaType === null || !/^[0-9a-f]{64}$/.test(sha256 ?? '')) {
      return `expected ${ATTACHMENTS.fileName}, ${ATTACHMENTS.mediaType} and ${ATTACHMENTS.sha256} of an attachment`;
    }
    found.push({ fileName, mediaType, sha256: sha256 ?? '' });
  }
  return found;
}

function nameOf(node: AnimlNode): string {
  return node.attributes.get('name') ?? '';
}
