import { describe, expect, it } from 'vitest';
import { openDatabase } from '../../src/storage/database.js';
import { temporaryDirectory } from '../support/temp-database.js';

describe('the embedded database', () => {
  it('refuses a second owner of the same folder and says what to do', async () => {
    const directory = temporaryDirectory();
    const first = await openDatabase(directory);
    await expect(openDatabase(directory)).rejects.toThrow(/Another process owns this data folder/);
    await first.close();
    const second = await openDatabase(directory);
    await second.close();
  });
});
