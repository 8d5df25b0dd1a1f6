import type { GatewayWorld, HttpAnswer } from './gateway-world.js';
import { PASSWORD, storedPassword } from './people.js';

/** People who use the pages of a whole gateway, as their browsers speak to it. */

const FORM = { 'content-type': 'application/x-www-form-urlencoded' };

export interface Browser {
  readonly cookie: string;
  /** What the forms of this sign-in carry. */
  readonly token: string;
}

/** Makes a person as the command line does, whose initial password is the one of all tests. */
export async function makePerson(
  world: GatewayWorld,
  userName: string,
  roles: readonly string[],
  options: { readonly operatorIds?: readonly string[]; readonly mustChange?: boolean } = {},
): Promise<string> {
  const answer = await world.http({
    path: '/api/v1/people',
    key: world.controlToken,
    headers: { 'content-type': 'application/json' },
    body: JSON.stringify({
      userName,
      printedName: `Person ${userName} (simulated)`,
      roles,
      operatorIds: options.operatorIds ?? [],
      password: PASSWORD,
    }),
  });
  if (answer.status !== 201) throw new Error(`a person was answered ${answer.text}`);
  const id = String(answer.json['id']);
  if (!options.mustChange) {
    const password = await storedPassword();
    await world.write((db) =>
      db
        .updateTable('account')
        .set({ must_change_password: 0, password })
        .where('id', '=', id)
        .execute(),
    );
  }
  return id;
}

/** Submits a form as a browser does that shows a page of the gateway. */
export function submit(
  world: GatewayWorld,
  path: string,
  fields: Readonly<Record<string, string>>,
  headers: Readonly<Record<string, string>> = {},
): Promise<HttpAnswer> {
  return world.http({
    path,
    key: null,
    method: 'POST',
    headers: {
      ...FORM,
      origin: new URL(world.url).origin,
      'sec-fetch-site': 'same-origin',
      ...headers,
    },
    body: new URLSearchParams(fields).toString(),
  });
}

export function trySignIn(
  world: GatewayWorld,
  userName: string,
  password: string,
  headers: Readonly<Record<string, string>> = {},
): Promise<HttpAnswer> {
  return submit(world, '/sign-in', { 'user-name': userName, password }, headers);
}

export async function signIn(
  world: GatewayWorld,
  userName: string,
  password = PASSWORD,
): Promise<Browser> {
  const answer = await trySignIn(world, userName, password);
  if (answer.status !== 303) throw new Error(`the sign-in was answered ${answer.text}`);
  const cookie = cookieOf(answer);
  const page = await world.http({ path: '/account', key: null, headers: { cookie } });
  const token = /name="form-token" value="([^"]+)"/.exec(page.text)?.[1];
  if (token === undefined) throw new Error(`the account page was answered ${page.text}`);
  return { cookie, token };
}

/** What the browser sends back of a Set-Cookie. */
export function cookieOf(answer: HttpAnswer): string {
  return String(answer.headers['set-cookie']).split(';')[0] ?? '';
}

/** Asks as a signed-in browser; a changed field of the form or header says otherwise. */
export function asks(world: GatewayWorld, path: string, { cookie }: Browser): Promise<HttpAnswer> {
  return world.http({ path, key: null, headers: { cookie } });
}

export function sends(
  world: GatewayWorld,
  path: string,
  { cookie, token }: Browser,
  fields: Readonly<Record<string, string>> = {},
): Promise<HttpAnswer> {
  return submit(world, path, { 'form-token': token, ...fields }, { cookie });
}
