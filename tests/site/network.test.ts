import { BlockList } from 'node:net';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { addressAllowed, parseCidr } from '../../src/site/network.js';

describe('parseCidr', () => {
  it.each([
    '10.0.0.0/8',
    '0.0.0.0/0',
    '::/0',
    '2001:db8::/32',
    '::ffff:10.0.0.0/104',
    '1.2.3.4/32',
  ])('reads %s', (text) => {
    expect(parseCidr(text)).not.toBeNull();
  });

  it.each([
    '10.0.0.1/8', // bits beyond the prefix
    '10.0.0.0',
    '10.0.0.0/33',
    '10.0.0.0/08',
    '10.0.0/8',
    '010.0.0.0/8',
    '0x0a.0.0.0/8',
    '::/129',
    ':::/0',
    '1::2::3/128',
    'fe80::%eth0/64',
    '12345::/16',
    '1.2.3.4::/64',
    '',
    '/8',
  ])('refuses %j', (text) => {
    expect(parseCidr(text)).toBeNull();
  });
});

describe('addressAllowed', () => {
  it('allows an address inside a listed block and nothing outside it', () => {
    expect(addressAllowed('93.184.216.34', ['93.184.216.0/24'])).toBe(true);
    expect(addressAllowed('93.184.217.34', ['93.184.216.0/24'])).toBe(false);
    expect(addressAllowed('93.184.216.34', [])).toBe(false);
    expect(addressAllowed('2606:4700::1111', ['2606:4700::/32'])).toBe(true);
  });

  // Ranges: IANA special-purpose address registries (RFC 6890), from memory.
  it.each([
    '127.0.0.1',
    '10.1.2.3',
    '172.16.0.1',
    '172.31.255.255',
    '192.168.1.1',
    '169.254.169.254',
    '100.64.0.1',
    '198.18.0.1',
    '192.0.2.1',
    '::1',
    'fe80::1',
    'fc00::1',
    'fd12::1',
    '64:ff9b::7f00:1',
    '2002:7f00:1::',
    '2001:0:1::1',
    '::ffff:127.0.0.1',
    '::ffff:a9fe:a9fe',
    '::127.0.0.1',
  ])('keeps the special address %s closed to a block that merely spans it', (address) => {
    expect(addressAllowed(address, ['0.0.0.0/0', '::/0'])).toBe(false);
  });

  it('opens a special range for a block that lies inside it', () => {
    expect(addressAllowed('127.0.0.1', ['127.0.0.0/8'])).toBe(true);
    expect(addressAllowed('10.20.3.4', ['10.20.0.0/16'])).toBe(true);
    expect(addressAllowed('10.21.3.4', ['10.20.0.0/16'])).toBe(false);
    expect(addressAllowed('::1', ['::1/128'])).toBe(true);
    expect(addressAllowed('fd12::1', ['fd12::/16'])).toBe(true);
  });

  it('judges an IPv4-mapped address as the IPv4 address it reaches', () => {
    expect(addressAllowed('::ffff:127.0.0.1', ['127.0.0.0/8'])).toBe(true);
    expect(addressAllowed('::ffff:7f00:1', ['127.0.0.0/8'])).toBe(true);
    expect(addressAllowed('::ffff:10.0.0.1', ['127.0.0.0/8'])).toBe(false);
  });

  it.each(['0.0.0.0', '0.1.2.3', '224.0.0.1', '255.255.255.255', '240.0.0.1', '::', 'ff02::1'])(
    'never allows %s',
    (address) => {
      expect(
        addressAllowed(address, ['0.0.0.0/8', '224.0.0.0/4', '240.0.0.0/4', '::/128', 'ff00::/8']),
      ).toBe(false);
    },
  );

  it.each([
    '2130706433',
    '0177.0.0.1',
    '0x7f.0.0.1',
    '127.1',
    '[::1]',
    '::1%lo',
    'localhost',
    ' 127.0.0.1',
    '',
  ])('refuses the spelling %j, which readers disagree on', (address) => {
    expect(addressAllowed(address, ['127.0.0.0/8', '::1/128'])).toBe(false);
  });

  it('agrees with the block list of the Node runtime on ordinary addresses', () => {
    // Outside reference: node:net BlockList.
    const ordinary = fc
      .tuple(fc.integer({ min: 11, max: 99 }), fc.nat(255), fc.nat(255), fc.nat(255))
      .map((octets) => octets.join('.'));
    fc.assert(
      fc.property(ordinary, ordinary, fc.integer({ min: 8, max: 32 }), (address, base, prefix) => {
        const width = 32 - prefix;
        const bits = base.split('.').reduce((sum, octet) => sum * 256 + Number(octet), 0);
        const network = Math.floor(bits / 2 ** width) * 2 ** width;
        const text = [24, 16, 8, 0]
          .map((shift) => Math.floor(network / 2 ** shift) % 256)
          .join('.');
        const list = new BlockList();
        list.addSubnet(text, prefix, 'ipv4');
        expect(addressAllowed(address, [`${text}/${prefix}`])).toBe(list.check(address, 'ipv4'));
        expect(addressAllowed(base, [`${text}/${prefix}`])).toBe(true);
      }),
    );
  });
});
