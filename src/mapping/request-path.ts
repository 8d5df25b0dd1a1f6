import { leafTexts, type PayloadTree } from './payload-tree.js';

const PLACEHOLDER = /\{([^{}]*)\}/g;
/** Characters a path or query may hold outside placeholders (RFC 3986, without `%`). */
const LITERAL = /^[A-Za-z0-9\-._~!$&'()*+,;=:@/?]*$/;

export type RequestPath =
  | { readonly ok: true; readonly path: string }
  | { readonly ok: false; readonly detail: string };

export interface RequestNames {
  readonly key: string;
  readonly deliveryId: string;
}

/** What is wrong with a template before any value is known; null when it can be filled. */
export function templateFault(template: string): string | null {
  const literal = template.replace(PLACEHOLDER, '');
  if (!LITERAL.test(literal))
    return 'it holds a character that belongs percent-encoded or in a placeholder';
  if (template.startsWith('/') || /^[A-Za-z][A-Za-z0-9+.-]*:/.test(template)) {
    return 'it is not relative to the base address';
  }
  const segments = (template.split('?')[0] ?? '').split('/');
  if (segments.some((segment) => segment === '..' || segment === '.'))
    return 'it leaves its folder';
  const unknown = placeholders(template).find((name) => !isKnown(name));
  return unknown === undefined ? null : `{${unknown}} is no placeholder`;
}

/** Placeholders of a list request. */
export const LIST_NAMES = ['from', 'to', 'limit', 'cursor'] as const;
export type ListNames = Readonly<Record<(typeof LIST_NAMES)[number], string>>;

/** As `templateFault`, for a request that names a period and a page instead of a message. */
export function listTemplateFault(template: string): string | null {
  const names = placeholders(template);
  const unknown = names.find((name) => !LIST_NAMES.some((known) => known === name));
  if (unknown !== undefined) return `{${unknown}} is no placeholder of a list`;
  return templateFault(template.replace(PLACEHOLDER, ''));
}

/** Fills a list's placeholders, each percent-encoded; the cursor of the first page is empty. */
export function fillListPath(template: string, names: ListNames): string {
  return template.replace(PLACEHOLDER, (_whole, name: string) =>
    encodeURIComponent(names[name as keyof ListNames]),
  );
}

/** Names between braces, in order. */
export function placeholders(template: string): string[] {
  return [...template.matchAll(PLACEHOLDER)].map((match) => match[1] ?? '');
}

/**
 * Fills `{key}`, `{deliveryId}` and `{/pointer}`, each percent-encoded as one segment. A value that is
 * missing, several, empty or a mere dot (which a server would read as a folder) is refused.
 */
export function fillRequestPath(
  template: string,
  names: RequestNames,
  tree: PayloadTree,
): RequestPath {
  let fault: string | null = templateFault(template);
  const path = template.replace(PLACEHOLDER, (_whole, name: string) => {
    const values =
      name === 'key'
        ? [names.key]
        : name === 'deliveryId'
          ? [names.deliveryId]
          : leafTexts(tree, name);
    const [value] = values;
    if (values.length !== 1 || value === undefined || ['', '.', '..'].includes(value)) {
      fault ??= `{${name}} stands for ${values.length === 1 ? JSON.stringify(value) : `${values.length} values`}, expected one`;
      return '';
    }
    return encodeURIComponent(value);
  });
  return fault === null ? { ok: true, path } : { ok: false, detail: fault };
}

function isKnown(name: string): boolean {
  return name === 'key' || name === 'deliveryId' || (name.startsWith('/') && name.length > 1);
}
