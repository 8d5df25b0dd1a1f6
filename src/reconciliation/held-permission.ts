import { leafText, type Tree, valueAt } from '../delivery/answer-tree.js';
import { areConfusable, withoutOwnText } from '../mapping/permit-reading.js';
import type { MappingDocument, Path } from '../site/mapping-document.js';
import type { SubjectKind } from '../storage/tables.js';

/**
 * True when a message that a destination lists may let it release: a statement that is not shown to say otherwise, or
 * anything that shows a permitting value. Where the list shows no such value of a statement, nobody knows, and it counts.
 *
 * @param item as the list shows it, in the form of a read-back's item
 */
export function mayPermit(
  item: Tree,
  message: SubjectKind | null,
  document: MappingDocument,
): boolean {
  if (message !== null && message !== 'statement') return false;
  const held = tellingPlaces(document).map(({ at, values }) => {
    const texts = heldPlaces(document, at).flatMap((place) => {
      const text = leafText(valueAt(item, place));
      return text === null ? [] : [text];
    });
    if (texts.length === 0) return 'unknown';
    const isPermitting = texts.some((text) => values.some((value) => areConfusable(text, value)));
    return isPermitting ? 'permits' : 'refuses';
  });
  if (held.includes('permits')) return true;
  return message === 'statement' && (held.length === 0 || held.includes('unknown'));
}

/** What a payload says the outcome with: the values that permit, or else the word for *conforms*. */
function tellingPlaces(document: MappingDocument): MappingDocument['permits'] {
  if (document.permits.length > 0) return document.permits;
  const fields = document.messages.statement?.fields ?? [];
  return fields
    .filter(({ from }) => from === 'statement.outcome')
    .map(({ to, table }) => {
      const word = table === undefined ? 'conforms' : document.tables[table]?.['conforms'];
      return { at: to, values: word === undefined ? [] : [word] };
    });
}

/** Where a read-back, and so an item of the list, shows what was sent there. */
function heldPlaces({ messages }: MappingDocument, sent: Path): Path[] {
  const compare = messages.statement?.readBack?.compare ?? [];
  const isThere = (place: Path) => withoutOwnText(place) === withoutOwnText(sent);
  return compare.filter((field) => isThere(field.sent)).map(({ held }) => held);
}
