/** An address as programs of PostgreSQL take it: what every user of the machine can list, and what nobody may. */
export interface ToolAddress {
  /** Connection URI without any password, for `--dbname`. */
  readonly dbname: string;
  /** Goes to the child's environment only. */
  readonly password: string | null;
}

/** Parameters that this service's driver knows and libpq refuses (from memory of both). */
const OF_THE_DRIVER_ONLY = ['uselibpqcompat'];
const SECRET = ['password', 'sslpassword'];

/** Takes the password out of an address, wherever it stands, and what the programs would not understand. */
export function toolAddress(url: string): ToolAddress {
  const address = new URL(url);
  const asParameter = address.searchParams.get('password');
  const password = asParameter ?? decodeURIComponent(address.password);
  address.password = '';
  for (const name of [...SECRET, ...OF_THE_DRIVER_ONLY]) address.searchParams.delete(name);
  // Encrypted, whoever answers: what the driver calls so, libpq calls `require`.
  if (address.searchParams.get('sslmode') === 'no-verify') {
    address.searchParams.set('sslmode', 'require');
  }
  return { dbname: address.href, password: password === '' ? null : password };
}
