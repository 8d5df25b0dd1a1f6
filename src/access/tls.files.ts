import { createPrivateKey, X509Certificate } from 'node:crypto';
import { readFileSync } from 'node:fs';
import { Misconfigured } from '../errors.js';

/** What a gateway shows over TLS. */
export interface TlsIdentity {
  /** Options of Node's TLS server. */
  readonly server: {
    readonly cert: string;
    readonly key: string;
    readonly minVersion: 'TLSv1.2';
  };
  /** SHA-256 of the first certificate, by which commands on this machine know the gateway. */
  readonly fingerprint: string;
}

/**
 * Reads certificate and key, and finds at the start what browsers would otherwise only hint at.
 *
 * @throws Misconfigured `configuration-invalid` naming the setting and the file.
 */
export function readTls(
  files: { readonly certFile: string; readonly keyFile: string } | null,
): TlsIdentity | null {
  if (files === null) return null;
  const cert = read('DRUMLINE_TLS_CERT', files.certFile);
  const key = read('DRUMLINE_TLS_KEY', files.keyFile);
  const certificate = parse(
    'DRUMLINE_TLS_CERT',
    files.certFile,
    'a certificate in PEM form',
    () => new X509Certificate(cert),
  );
  const secret = parse('DRUMLINE_TLS_KEY', files.keyFile, 'a private key in PEM form', () =>
    createPrivateKey(key),
  );
  if (!certificate.checkPrivateKey(secret)) {
    throw new Misconfigured('configuration-invalid', {
      found: `DRUMLINE_TLS_KEY ${files.keyFile}: it does not belong to the certificate in ${files.certFile}`,
    });
  }
  return {
    server: { cert, key, minVersion: 'TLSv1.2' },
    fingerprint: certificate.fingerprint256,
  };
}

function read(name: string, file: string): string {
  try {
    return readFileSync(file, 'utf8');
  } catch (cause) {
    const code = cause instanceof Error && 'code' in cause ? String(cause.code) : 'unreadable';
    throw new Misconfigured('configuration-invalid', { found: `${name} ${file}: ${code}`, cause });
  }
}

function parse<T>(name: string, file: string, expected: string, work: () => T): T {
  try {
    return work();
  } catch (cause) {
    const found = `${name} ${file}: expected ${expected}`;
    throw new Misconfigured('configuration-invalid', { found, cause });
  }
}
