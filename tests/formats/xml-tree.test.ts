import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { isXmlName, XML_FORBIDDEN } from '../../src/formats/xml-text.js';
import {
  parseXmlTree,
  writeXmlTree,
  XML_LIMITS,
  type XmlElement,
} from '../../src/formats/xml-tree.js';

const bytes = (text: string): Uint8Array => Buffer.from(text, 'utf8');

function read(text: string): XmlElement {
  const result = parseXmlTree(bytes(text));
  if (!result.ok) throw new Error(`${result.fault.at}: ${result.fault.message}`);
  return result.tree;
}

function refusal(text: string, limits = XML_LIMITS): string {
  const result = parseXmlTree(bytes(text), limits);
  if (result.ok) throw new Error(`accepted: ${JSON.stringify(result.tree)}`);
  return `${result.fault.at}: ${result.fault.message}`;
}

describe('parseXmlTree', () => {
  it('keeps values as text, blanks and leading zeros included', () => {
    expect(read('<a><n>0012.50</n><b>true</b><t>  two  blanks </t><e/></a>')).toEqual({
      a: { n: '0012.50', b: 'true', t: '  two  blanks ', e: '' },
    });
  });

  it('shows attributes as @name, text beside them as #text, repeated names as a list', () => {
    expect(read('<a k="v"><i n="1">x</i><i>y</i></a>')).toEqual({
      a: { '@k': 'v', i: [{ '@n': '1', '#text': 'x' }, 'y'] },
    });
  });

  it('drops layout between elements and keeps text between elements', () => {
    expect(read('<a>\n  <i>1</i>\n</a>')).toEqual({ a: { i: '1' } });
    expect(read('<a>x<i>1</i></a>')).toEqual({ a: { '#text': 'x', i: '1' } });
  });

  it('decodes the five predefined entities and numeric references, once', () => {
    expect(read('<a>&amp;lt; &lt;&gt;&quot;&apos;&#65;&#x1F600;</a>')).toEqual({
      a: `&lt; <>"'A\u{1f600}`,
    });
  });

  it('takes CDATA as it stands', () => {
    expect(read('<a>1<![CDATA[<b>&amp;</b>]]>2</a>')).toEqual({ a: '1<b>&amp;</b>2' });
  });

  it('normalises line ends and attribute blanks as XML 1.0 sections 2.11 and 3.3.3 say', () => {
    expect(read('<a k="1\t2\n3&#10;4">x\r\ny\rz&#13;</a>')).toEqual({
      a: { '@k': '1 2 3\n4', '#text': 'x\ny\nz\r' },
    });
  });

  it('ignores comments and processing instructions', () => {
    expect(
      read('<?xml version="1.0" encoding="UTF-8"?><!-- c --><a>x<!-- d -->y<?p q?>z</a><!-- e -->'),
    ).toEqual({
      a: 'xyz',
    });
  });

  it('shows no more of the document in its message than a line holds', () => {
    const long = 'b'.repeat(100_000);
    for (const text of [
      `<a></${long}>`,
      `<a><${long}</a>`,
      `<${long}>&nbsp;</${long}>`,
      `<a ${long}/>`,
    ])
      expect(refusal(text).length).toBeLessThan(500);
  });

  it('takes what looks like a wrong end tag where it is none', () => {
    expect(read('<a><!-- </b/> --><![CDATA[</c/>]]><?p </d/> ?></a>')).toEqual({ a: '</c/>' });
    expect(read('<a><![CDATA[<!--]]></a><!-- <b> -->\n<?p <c> ?>')).toEqual({ a: '<!--' });
    expect(read('<a k=">" l=\'"\'/>\r\n')).toEqual({ a: { '@k': '>', '@l': '"' } });
  });

  it('refuses a DOCTYPE before any entity of it is looked at', () => {
    expect(refusal('<!DOCTYPE a [<!ENTITY e "x">]><a>&e;</a>')).toContain('DOCTYPE');
    expect(refusal('<!doctype a><a/>')).toContain('DOCTYPE');
  });

  it.each([
    ['<a>&nbsp;</a>', 'entity'],
    ['<a>&#0;</a>', 'entity'],
    ['<a>&#xD800;</a>', 'entity'],
    ['<a>&#1114112;</a>', 'entity'],
    ['<a k="&e;"/>', 'entity'],
    ['<a><b></a>', 'malformed'],
    ['<a/><b/>', 'one root'],
    ['<a/>more', 'nothing behind the root'],
    ['<a/>more>', 'nothing behind the root'],
    ['<a/>more<!-- c -->', 'nothing behind the root'],
    ['<a/>more<?p <b> ?>\n', 'nothing behind the root'],
    ['<a>1</a><![CDATA[2]]>', 'nothing behind the root'],
    ['<a>AB</b />CD</a>', 'an end tag with a slash'],
    ['<a>AB</a k="1"/>CD</a>', 'an end tag with a slash'],
    ['<a k="1" k="2"/>', 'malformed'],
    ['<a>', 'malformed'],
    ['<a><!-- open </a>', 'malformed'],
    ['', 'malformed'],
    ['plain text', 'malformed'],
    ['<a>\u0001</a>', 'control character'],
    ['<?xml version="1.0" encoding="ISO-8859-1"?><a/>', 'ISO-8859-1'],
    ['<a><__proto__>1</__proto__></a>', '__proto__'],
    ['<a><constructor>1</constructor></a>', 'constructor'],
    ['<a><prototype>1</prototype></a>', 'prototype'],
  ])('refuses %j', (text, reason) => {
    expect(refusal(text)).toContain(reason);
  });

  it('refuses bytes that are not UTF-8', () => {
    const result = parseXmlTree(new Uint8Array([0x3c, 0x61, 0x3e, 0xff, 0x3c, 0x2f, 0x61, 0x3e]));
    expect(result).toMatchObject({
      ok: false,
      fault: { message: expect.stringContaining('UTF-8') },
    });
  });

  it('bounds bytes, depth and number of nodes', () => {
    expect(refusal('<a>12345</a>', { ...XML_LIMITS, bytesMax: 11 })).toContain('at most 11 bytes');
    const deep = `${'<d>'.repeat(65)}${'</d>'.repeat(65)}`;
    expect(refusal(deep)).toContain('at most 64 levels');
    expect(refusal(`<a>${'<i/>'.repeat(10)}</a>`, { ...XML_LIMITS, nodesMax: 10 })).toContain(
      'at most 10',
    );
    expect(refusal(`${'<d>'.repeat(5000)}${'</d>'.repeat(5000)}`)).not.toBe('');
  });

  it('gives objects without a prototype, so that no name reaches a built-in', () => {
    const tree = read('<a><toString>x</toString><hasOwnProperty>y</hasOwnProperty></a>');
    expect(Object.getPrototypeOf(tree)).toBeNull();
    expect(tree).toEqual({ a: { toString: 'x', hasOwnProperty: 'y' } });
  });

  it('never throws, whatever the bytes', () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 300 }), (data) => {
        expect(typeof parseXmlTree(data).ok).toBe('boolean');
      }),
    );
    const markup = fc.array(
      fc.constantFrom(
        '<',
        '>',
        '/',
        'a',
        '"',
        '=',
        '&',
        ';',
        '!',
        '--',
        '[CDATA[',
        ']]',
        '?',
        ' ',
        '#',
        'x',
      ),
      { maxLength: 60 },
    );
    fc.assert(
      fc.property(markup, (parts) => {
        expect(typeof parseXmlTree(bytes(parts.join(''))).ok).toBe('boolean');
      }),
    );
  });
});

describe('writeXmlTree', () => {
  it('writes attributes, lists, text and leaves, booleans with their value', () => {
    expect(
      writeXmlTree({
        A: {
          '@on': true,
          '@n': 'a"b',
          B: ['1', { '@k': '2', '#text': '<3>' }],
          C: 4,
          D: '',
          E: undefined,
        },
      }),
    ).toEqual({
      ok: true,
      text: '<?xml version="1.0" encoding="UTF-8"?><A on="true" n="a&quot;b"><B>1</B><B k="2">&lt;3&gt;</B><C>4</C><D/></A>',
    });
  });

  it.each([
    [{}, '', 'one root'],
    [{ A: '1', B: '2' }, '', 'one root'],
    [{ A: { B: 'x\u0000y' } }, '/A/B', 'cannot hold'],
    [{ A: { B: ['ok', '\ud800'] } }, '/A/B/1', 'cannot hold'],
    [{ A: { 'b c': '1' } }, '/A/b c', 'name'],
    [{ A: { '@1': '1' } }, '/A/@1', 'name'],
    [{ A: { constructor: '1' } }, '/A/constructor', 'name'],
    [{ A: Number.NaN }, '/A', 'NaN'],
    [{ A: { '@k': ['1'] } }, '/A/@k', 'a list'],
  ])('refuses %j with its place', (tree, at, reason) => {
    const written = writeXmlTree(tree);
    expect(written).toMatchObject({ ok: false, at, message: expect.stringContaining(reason) });
  });

  it('refuses null, which has no XML form', () => {
    expect(writeXmlTree({ A: { B: null as unknown as string } })).toMatchObject({
      ok: false,
      at: '/A/B',
    });
  });

  it('is read back to the same texts, whatever they hold', () => {
    const text = fc.string({ unit: 'binary', maxLength: 30 }).filter((t) => !XML_FORBIDDEN.test(t));
    const name = fc.stringMatching(/^[A-Za-z_][A-Za-z0-9_.-]{0,8}$/).filter((n) => isXmlName(n));
    const { node } = fc.letrec<{ node: unknown }>((tie) => ({
      node: fc.oneof(
        { depthSize: 'small', withCrossShrink: true },
        text,
        fc
          .record({
            attribute: fc.option(fc.tuple(name, text), { nil: null }),
            children: fc.uniqueArray(fc.tuple(name, tie('node')), {
              selector: ([n]) => n,
              minLength: 1,
              maxLength: 4,
            }),
          })
          .map(({ attribute, children }) => {
            const element = Object.create(null) as Record<string, unknown>;
            if (attribute) element[`@${attribute[0]}`] = attribute[1];
            for (const [childName, child] of children) element[childName] = child;
            return element;
          }),
      ),
    }));
    fc.assert(
      fc.property(name, node, (root, content) => {
        const tree = Object.assign(Object.create(null), { [root]: content }) as XmlElement;
        const written = writeXmlTree(tree);
        if (!written.ok) throw new Error(written.message);
        expect(parseXmlTree(bytes(written.text))).toEqual({ ok: true, tree });
      }),
      { numRuns: 300 },
    );
  });
});
