/** Just enough reading of our own markup for assertions: no nesting of the same element is cut apart. */

/** Outer HTML of every `tag` element, in order; elements of the same name must not nest. */
export function fragments(html: string, tag: string): string[] {
  return html.match(new RegExp(`<${tag}(?=[\\s>]).*?</${tag}>`, 'gs')) ?? [];
}

/** What a person reads: tags out, entities back, white space collapsed. */
export function text(html: string): string {
  return html
    .replace(/<[a-z/!][^>]*>/gi, ' ')
    .replaceAll('&lt;', '<')
    .replaceAll('&gt;', '>')
    .replaceAll('&quot;', '"')
    .replaceAll('&#39;', "'")
    .replaceAll('&amp;', '&')
    .replace(/\s+/g, ' ')
    .trim();
}

export function links(html: string): string[] {
  return [...html.matchAll(/<a [^>]*?href="([^"]*)"/g)].map((match) => match[1] ?? '');
}

export function ids(html: string): string[] {
  return [...html.matchAll(/ id="([^"]*)"/g)].map((match) => match[1] ?? '');
}
