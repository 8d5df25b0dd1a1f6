import { describe, expect, it } from 'vitest';
import { assembleBundle } from '../../src/checks/assemble-bundle.js';
import { examineBundle } from '../../src/checks/examine-bundle.js';
import { explainRule } from '../../src/checks/explain.js';
import { zipOf } from '../support/zip-bytes.js';
import { goodParts, NOW, SITE, validateSchema } from './fixture.js';

describe('an archive that cannot be read as a bundle is refused', () => {
  const document = Buffer.from(assembleBundle(goodParts()).bytes);

  it.each<[string, Uint8Array, string, RegExp]>([
    ['empty', zipOf([]), 'zip-content', /expected an entry bundle\.json/],
    [
      'without the document at its root',
      zipOf([{ name: 'a/bundle.json', data: document }]),
      'zip-content',
      /expected an entry bundle\.json/,
    ],
    [
      'with two documents',
      zipOf([
        { name: 'bundle.json', data: document },
        { name: 'Bundle.json', data: document },
      ]),
      'zip-name',
      /"Bundle\.json".*same name/,
    ],
    [
      'with a document that is damaged',
      zipOf([{ name: 'bundle.json', data: document, crc32: 1 }]),
      'zip-content',
      /"bundle\.json": expected CRC-32/,
    ],
    [
      'with a document that is no JSON',
      zipOf([{ name: 'bundle.json', data: 'PK\u0003\u0004' }]),
      'json-syntax',
      /./,
    ],
    [
      'with a document of another format',
      zipOf([{ name: 'bundle.json', data: '{"format":"x"}' }]),
      'not-a-bundle',
      /format|expected/,
    ],
    [
      'with a document that inflates past the limit',
      zipOf([{ name: 'bundle.json', data: Buffer.alloc(5_000_000, ' '), deflate: true }]),
      'zip-limit',
      /"bundle\.json": expected at most 4000000 bytes/,
    ],
    [
      'with a name that leads out of it',
      zipOf([
        { name: 'bundle.json', data: document },
        { name: '../x', data: '' },
      ]),
      'zip-name',
      /"\.\.\/x"/,
    ],
    [
      'with a link',
      zipOf([
        { name: 'bundle.json', data: document },
        { name: 'x', data: '/etc/passwd', mode: 0o120777 },
      ]),
      'zip-kind',
      /"x": .*symbolic link/,
    ],
    [
      'larger than the site takes',
      Buffer.concat([zipOf([]), Buffer.alloc(SITE.limits.bundleBytesMax)]),
      'zip-limit',
      /at most 4000000 bytes/,
    ],
  ])('%s', (_what, bytes, code, message) => {
    const examination = examineBundle(bytes, SITE, { now: NOW, validateSchema });
    if (examination.kind !== 'unreadable') throw new Error('was readable');
    expect(examination.finding.code).toBe(code);
    expect(examination.finding.message).toMatch(message);
    expect(examination.finding.advice).not.toBe('');
    expect(explainRule(code)?.refuses).toBe(true);
  });
});
