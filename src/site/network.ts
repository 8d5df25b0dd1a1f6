/**
 * Which network addresses a destination may be reached at. Pure: the sender resolves a name once, asks
 * here about every address, and connects to exactly that address.
 */
export interface Cidr {
  readonly version: 4 | 6;
  readonly bits: bigint;
  readonly prefix: number;
}

interface Address {
  readonly version: 4 | 6;
  readonly bits: bigint;
}

/**
 * Ranges that are not ordinary public unicast. An allow entry reaches into one only when it lies wholly
 * inside it: `0.0.0.0/0` never opens the loopback, `127.0.0.0/8` does.
 * Source: IANA IPv4 and IPv6 Special-Purpose Address Registries (RFC 6890), listed from memory.
 */
const SPECIAL: readonly Cidr[] = [
  '10.0.0.0/8',
  '100.64.0.0/10',
  '127.0.0.0/8',
  '169.254.0.0/16',
  '172.16.0.0/12',
  '192.0.0.0/24',
  '192.0.2.0/24',
  '192.88.99.0/24',
  '192.168.0.0/16',
  '198.18.0.0/15',
  '198.51.100.0/24',
  '203.0.113.0/24',
  '::1/128',
  '64:ff9b::/96',
  '64:ff9b:1::/48',
  '100::/64',
  '2001::/23',
  '2001:db8::/32',
  '2002::/16',
  '3fff::/20',
  '5f00::/16',
  'fc00::/7',
  'fe80::/10',
  'fec0::/10',
].map(known);

/** Ranges no TCP connection can mean: never allowed, whatever the list says. */
const NEVER: readonly Cidr[] = [
  '0.0.0.0/8',
  '224.0.0.0/4',
  '240.0.0.0/4',
  '::/128',
  'ff00::/8',
].map(known);

/** `::ffff:a.b.c.d` is the IPv4 address a.b.c.d on the wire; `::a.b.c.d` (deprecated) is refused. */
const MAPPED = known('::ffff:0:0/96');
const COMPATIBLE = known('::/96');

/** Reads `address/prefix`. Null when it is not one, or when bits beyond the prefix are set. */
export function parseCidr(text: string): Cidr | null {
  const slash = text.indexOf('/');
  if (slash < 1) return null;
  const address = parseAddress(text.slice(0, slash));
  const length = text.slice(slash + 1);
  if (!address || !/^(?:0|[1-9]\d{0,2})$/.test(length)) return null;
  const width = address.version === 4 ? 32 : 128;
  const prefix = Number(length);
  if (prefix > width) return null;
  const hostMask = (1n << BigInt(width - prefix)) - 1n;
  return (address.bits & hostMask) === 0n ? { ...address, prefix } : null;
}

/**
 * True when `address` (a literal, as a resolver returns it) lies in one of the CIDR blocks and is not a
 * special address that no block names on purpose. Anything that is not a plain literal is refused:
 * decimal, octal and hexadecimal spellings, zone ids, brackets.
 */
export function addressAllowed(address: string, cidrs: readonly string[]): boolean {
  const parsed = parseAddress(address);
  if (!parsed) return false;
  const target = unmapped(parsed);
  if (!target || NEVER.some((block) => contains(block, target))) return false;
  const allowed = cidrs.map(parseCidr).filter((block) => block !== null);
  const special = SPECIAL.filter((block) => contains(block, target));
  return allowed.some(
    (block) => contains(block, target) && special.every((range) => liesIn(block, range)),
  );
}

function unmapped(address: Address): Address | null {
  if (address.version === 4) return address;
  if (contains(MAPPED, address)) return { version: 4, bits: address.bits & 0xffff_ffffn };
  if (contains(COMPATIBLE, address) && address.bits > 1n) return null;
  return address;
}

function contains(block: Cidr, address: Address): boolean {
  if (block.version !== address.version) return false;
  const shift = BigInt((block.version === 4 ? 32 : 128) - block.prefix);
  return block.bits >> shift === address.bits >> shift;
}

function liesIn(inner: Cidr, outer: Cidr): boolean {
  return inner.prefix >= outer.prefix && contains(outer, inner);
}

function parseAddress(text: string): Address | null {
  if (text.includes(':')) {
    const bits = parseIpv6(text);
    return bits === null ? null : { version: 6, bits };
  }
  const bits = parseIpv4(text);
  return bits === null ? null : { version: 4, bits };
}

/** Four decimal octets without leading zeros, the only spelling every reader agrees on. */
function parseIpv4(text: string): bigint | null {
  const parts = text.split('.');
  if (parts.length !== 4) return null;
  let bits = 0n;
  for (const part of parts) {
    if (!/^(?:0|[1-9]\d{0,2})$/.test(part) || Number(part) > 255) return null;
    bits = (bits << 8n) | BigInt(part);
  }
  return bits;
}

/** RFC 4291 §2.2 text forms, including `::` and a trailing dotted quad; no zone id. */
function parseIpv6(text: string): bigint | null {
  if (text.length > 45) return null;
  const halves = text.split('::');
  if (halves.length > 2) return null;
  const head = groups(halves[0] ?? '', halves.length === 1);
  const tail = halves.length === 2 ? groups(halves[1] ?? '', true) : [];
  if (!head || !tail) return null;
  const missing = 8 - head.length - tail.length;
  if (halves.length === 1 ? missing !== 0 : missing < 1) return null;
  const all = [...head, ...Array.from({ length: missing }, () => 0n), ...tail];
  return all.reduce((bits, group) => (bits << 16n) | group, 0n);
}

function groups(text: string, mayEndInIpv4: boolean): bigint[] | null {
  if (text === '') return [];
  const found: bigint[] = [];
  const parts = text.split(':');
  for (const [index, part] of parts.entries()) {
    if (mayEndInIpv4 && index === parts.length - 1 && part.includes('.')) {
      const quad = parseIpv4(part);
      if (quad === null) return null;
      found.push(quad >> 16n, quad & 0xffffn);
    } else if (/^[0-9a-fA-F]{1,4}$/.test(part)) {
      found.push(BigInt(`0x${part}`));
    } else {
      return null;
    }
  }
  return found;
}

function known(text: string): Cidr {
  const cidr = parseCidr(text);
  if (!cidr) throw new Error(`not a CIDR block: ${text}`);
  return cidr;
}
