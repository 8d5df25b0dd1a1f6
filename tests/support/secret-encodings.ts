/** The wrappings in which a destination, a log or an error may echo a text, by name. */
export function encodingsOf(secret: string): readonly (readonly [name: string, text: string])[] {
  const bytes = Buffer.from(secret);
  const units = [...secret];
  const hex = (c: string) => c.charCodeAt(0).toString(16).padStart(2, '0');
  const within = (text: string) => text.slice(1, -1);
  return [
    ['as it is', secret],
    ['in capitals', secret.toUpperCase()],
    ['base64 alone', bytes.toString('base64')],
    // The characters that the secret alone decides, wherever it stands among other bytes.
    ['base64 behind one byte', core(Buffer.concat([Buffer.alloc(1), bytes]), 2)],
    ['base64 behind two bytes', core(Buffer.concat([Buffer.alloc(2), bytes]), 3)],
    ['base64url', bytes.toString('base64url')],
    ['percent-encoded where needed', encodeURIComponent(secret)],
    ['percent-encoded as a form', within(new URLSearchParams([['', `${secret} `]]).toString())],
    ['percent-encoded throughout', units.map((c) => `%${hex(c)}`).join('')],
    ['JSON-escaped', within(JSON.stringify(secret))],
    ['JSON-escaped twice', within(within(JSON.stringify(JSON.stringify(secret)))).slice(1, -1)],
    ['JSON-escaped with slashes', within(JSON.stringify(secret)).replaceAll('/', '\\/')],
    ['in \\u escapes', units.map((c) => `\\u00${hex(c)}`).join('')],
    ['in \\x escapes', units.map((c) => `\\x${hex(c)}`).join('')],
    ['XML-escaped', xmlText(secret)],
    ['in numeric references', units.map((c) => `&#${c.charCodeAt(0)};`).join('')],
    ['in hex references', units.map((c) => `&#x${hex(c).toUpperCase()};`).join('')],
    ['hex', bytes.toString('hex')],
    ['UTF-16', units.join('\0')],
  ];
}

function core(bytes: Buffer, from: number): string {
  const text = bytes.toString('base64').replace(/=+$/, '');
  return text.slice(from, bytes.length % 3 === 0 ? text.length : -1);
}

function xmlText(text: string): string {
  return text
    .replaceAll('&', '&amp;')
    .replaceAll('<', '&lt;')
    .replaceAll('>', '&gt;')
    .replaceAll('"', '&quot;');
}
