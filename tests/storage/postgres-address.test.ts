import { describe, expect, it } from 'vitest';
import { toolAddress } from '../../src/storage/postgres-address.js';

/**
 * Forms of a connection URI: PostgreSQL documentation, "Connection URIs" (libpq-connect): percent-encoding, and
 * parameters that stand in for every part.
 */
describe('an address for the programs of PostgreSQL', () => {
  it.each([
    ['postgres://u:p%40ss%2F@db:5433/drum', 'postgres://u@db:5433/drum', 'p@ss/'],
    [
      'postgresql://u@db/drum?sslmode=verify-full',
      'postgresql://u@db/drum?sslmode=verify-full',
      null,
    ],
    ['postgres://u:a@db/drum?password=b&sslpassword=c', 'postgres://u@db/drum', 'b'],
    [
      'postgres://db/drum?sslmode=no-verify&uselibpqcompat=true',
      'postgres://db/drum?sslmode=require',
      null,
    ],
    [
      'postgres:///drum?host=/run/postgresql&user=u',
      'postgres:///drum?host=%2Frun%2Fpostgresql&user=u',
      null,
    ],
  ])('%s keeps its password to itself', (url, dbname, password) => {
    expect(toolAddress(url)).toEqual({ dbname, password });
  });
});
