import { describe, expect, it } from 'vitest';
import { recogniseCopy } from '../../src/pipeline/recognise-copy.js';

const ROW = { id: 'i', epoch: 3, tick: 40, place: 'here', recovering: null };
const MARK = { instance: 'i', epoch: 3, tick: 40, isCopied: false };
const COPIED = { ...MARK, isCopied: true };

describe('a database at its start', () => {
  it.each([
    ['goes on where it stopped', ROW, MARK, null],
    ['goes on when its last count was not remembered', { ...ROW, tick: 41 }, MARK, null],
    ['goes on when what was remembered is lost', ROW, null, null],
    ['is new', { ...ROW, place: null, tick: 0 }, null, null],
    ['was restored', { ...ROW, place: null, recovering: 'restored' as const }, null, 'restored'],
    ['is a copy that lives elsewhere', { ...ROW, place: 'there' }, null, 'copied'],
    ['is a copy, though it brought its memory with it', { ...ROW, place: 'there' }, MARK, 'copied'],
    ['is an older file laid over a newer one', { ...ROW, tick: 39 }, MARK, 'older-file'],
    ['is of a life before the last', { ...ROW, epoch: 2, tick: 99 }, MARK, 'older-file'],
    ['was put back with its memory into the file it lived in', ROW, COPIED, 'copied'],
    ['was put back so, and ran on for a beat', { ...ROW, tick: 41 }, COPIED, 'copied'],
    ['is of a life after the memory that was put back', { ...ROW, epoch: 4 }, COPIED, 'copied'],
    ['is older than the memory that was put back', { ...ROW, tick: 39 }, COPIED, 'older-file'],
    ['is that of another gateway laid into its folder', { ...ROW, id: 'j' }, MARK, 'copied'],
  ])('%s', (_what, row, mark, cause) => {
    expect(recogniseCopy(row, 'here', mark, true)).toBe(cause);
  });

  it('is another one on the server that the folder remembers nothing of', () => {
    expect(recogniseCopy({ ...ROW, id: 'j' }, 'here', MARK, false)).toBeNull();
  });

  it('is the same one on the server when only the folder was copied', () => {
    expect(recogniseCopy(ROW, 'here', COPIED, false)).toBeNull();
  });
});
