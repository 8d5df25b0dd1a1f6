import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { type OpenDatabase, openDatabase } from '../../src/storage/database.js';
import { temporaryDirectory } from '../support/temp-database.js';
import { Hall } from './worker-hall.js';

let database: OpenDatabase;

beforeEach(async () => {
  database = await openDatabase(temporaryDirectory());
});

afterEach(() => database.close());

describe('the process that owns a file', () => {
  it('stops every other worker at once, however lately it was heard of', async () => {
    const hall = new Hall(database);
    const before = await hall.begun();
    const owner = await hall.begun();
    expect(await hall.isStopped(before.id)).toBe(true);
    expect(await hall.isStopped(owner.id)).toBe(false);
  });

  it('may always start something: nobody else could give it up', async () => {
    const hall = new Hall(database);
    const owner = await hall.begun();
    hall.clock.advance(60_000);
    expect(owner.mayStart).toBe(true);
  });
});
