import { execFileSync } from 'node:child_process';
import { once } from 'node:events';
import { writeFileSync } from 'node:fs';
import { request as httpsRequest } from 'node:https';
import { connect } from 'node:net';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import { readControl, writeControl } from '../../src/access/control.files.js';
import { requestGateway } from '../../src/cli/gateway-request.files.js';
import { readSettings, type Settings } from '../../src/config.js';
import { type Application, openApplication } from '../../src/main.js';
import { PASSWORD } from '../support/people.js';
import { northquayWith } from '../support/site-folder-copy.js';
import { temporaryDirectory } from '../support/temp-database.js';

/** TLS by the gateway itself, with a certificate that the test makes (openssl). */

let application: Application | null = null;
let directory: string;

beforeEach(() => {
  vi.stubEnv('NORTHQUAY_LIMS_TOKEN', 'simulated');
  vi.stubEnv('NORTHQUAY_ERP_TOKEN', 'simulated');
  directory = temporaryDirectory();
});

afterEach(async () => {
  await application?.close();
  application = null;
});

function certificate(name: string): { certFile: string; keyFile: string } {
  const [certFile, keyFile] = ['cert', 'key'].map((kind) => join(directory, `${name}-${kind}.pem`));
  if (certFile === undefined || keyFile === undefined) throw new Error('no files');
  execFileSync(
    'openssl',
    [
      ...['req', '-x509', '-newkey', 'ec', '-pkeyopt', 'ec_paramgen_curve:P-256', '-nodes'],
      ...['-keyout', keyFile, '-out', certFile, '-days', '2', '-subj', `/CN=${name}.example`],
    ],
    { stdio: 'ignore' },
  );
  return { certFile, keyFile };
}

function settingsWith(tls: { certFile: string; keyFile: string }): Settings {
  return readSettings(
    { DRUMLINE_LOG_LEVEL: 'silent' },
    {
      data: join(directory, 'data'),
      siteFolder: northquayWith({}),
      port: '0',
      tlsCert: tls.certFile,
      tlsKey: tls.keyFile,
    },
  );
}

function post(url: string, path: string, headers: Record<string, string>, body: string) {
  return new Promise<{ status: number; cookie: string; hsts: string | undefined }>(
    (resolve, reject) => {
      const asked = httpsRequest(
        new URL(path, url),
        { method: 'POST', headers, rejectUnauthorized: false },
        (answer) => {
          answer.resume();
          answer.once('end', () =>
            resolve({
              status: answer.statusCode ?? 0,
              cookie: String(answer.headers['set-cookie'] ?? ''),
              hsts: answer.headers['strict-transport-security'],
            }),
          );
        },
      );
      asked.once('error', reject);
      asked.end(body);
    },
  );
}

describe('a gateway with a certificate', () => {
  it('takes commands by the digest of its certificate, and sign-ins under any name of its own', async () => {
    const settings = settingsWith(certificate('dock'));
    application = await openApplication(settings, { work: false });
    const url = await application.listen();
    expect(url).toMatch(/^https:/);
    const made = await requestGateway(settings, {
      method: 'POST',
      path: '/api/v1/people',
      body: {
        contentType: 'application/json',
        text: JSON.stringify({
          userName: 'ada',
          printedName: 'Ada (simulated)',
          roles: ['administrator'],
          password: PASSWORD,
        }),
      },
    });
    expect(made.status).toBe(201);
    const headers = {
      // As a browser elsewhere has it: a name that is not this machine's.
      host: 'dock.example',
      origin: 'https://dock.example',
      'content-type': 'application/x-www-form-urlencoded',
    };
    const form = new URLSearchParams({ 'user-name': 'ada', password: PASSWORD }).toString();
    const answer = await post(url, '/sign-in', headers, form);
    expect(answer.status).toBe(303);
    // RFC 6797
    expect(answer.hsts).toBe('max-age=31536000');
    expect(answer.cookie).toMatch(
      /^__Host-drumline=[\w-]{43}; Path=\/; Secure; HttpOnly; SameSite=Strict$/,
    );
  });

  it('closes although somebody holds a connection open and never begins to speak TLS', async () => {
    application = await openApplication(settingsWith(certificate('dock')), { work: false });
    const { hostname, port } = new URL(await application.listen());
    const silent = connect(Number(port), hostname);
    silent.on('error', () => undefined);
    await once(silent, 'connect');
    const hungUp = once(silent, 'close');
    await application.close();
    application = null;
    await hungUp;
    expect(silent.destroyed).toBe(true);
  });

  it('is not mistaken for another one that listens at its address', async () => {
    const settings = settingsWith(certificate('dock'));
    application = await openApplication(settings, { work: false });
    await application.listen();
    const control = readControl(settings.dataDirectory);
    if (!control) throw new Error('no control file');
    writeControl(settings.dataDirectory, { ...control, certificate: '00:11' });
    await expect(
      requestGateway(settings, { method: 'GET', path: '/api/v1/people' }),
    ).rejects.toThrow(/another certificate/);
  });

  it('does not start with half of it, a key of another certificate, or what is none', async () => {
    const [dock, other] = [certificate('dock'), certificate('other')];
    const none = join(directory, 'none.pem');
    writeFileSync(none, 'nothing');
    const tries: [string, { certFile: string; keyFile: string }, RegExp][] = [
      ['half', { ...dock, keyFile: '' }, /DRUMLINE_TLS_CERT is set and DRUMLINE_TLS_KEY is not/],
      ['another key', { ...dock, keyFile: other.keyFile }, /does not belong to the certificate/],
      ['no certificate', { ...dock, certFile: none }, /DRUMLINE_TLS_CERT .*expected a certificate/],
      ['no key', { ...dock, keyFile: none }, /DRUMLINE_TLS_KEY .*expected a private key/],
      ['no file', { ...dock, keyFile: join(directory, 'gone') }, /DRUMLINE_TLS_KEY .*ENOENT/],
    ];
    for (const [name, files, says] of tries) {
      const start = async () => openApplication(settingsWith(files), { work: false });
      await expect(start(), name).rejects.toThrow(says);
    }
  });
});
