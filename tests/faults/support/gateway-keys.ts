import { readControl } from '../../../src/access/control.files.js';
import { askGateway } from '../../../src/simulation/gateway-api.client.js';

/** Creates a key through the control file of a running gateway, as `drumline key` does it. */
export async function createGatewayKey(
  dataDirectory: string,
  request: { readonly site: string; readonly name: string; readonly scopes: readonly string[] },
): Promise<string> {
  const control = readControl(dataDirectory);
  if (!control) throw new Error('the running gateway wrote no control file');
  const { status, body } = await askGateway(control.url, {
    key: control.token,
    method: 'POST',
    path: '/api/v1/keys',
    contentType: 'application/json',
    body: JSON.stringify(request),
  });
  if (status !== 201) throw new Error(`a key was answered ${status} ${JSON.stringify(body)}`);
  return (body as { key: string }).key;
}
