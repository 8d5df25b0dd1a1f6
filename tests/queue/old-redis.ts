import { once } from 'node:events';
import { createServer, type Server, type Socket } from 'node:net';

/** Answers the few commands of a handshake as a server of a given version does, and nothing else. */
export class OldRedis {
  private constructor(
    private readonly server: Server,
    private readonly sockets: Set<Socket>,
    readonly url: string,
  ) {}

  static async start(version: string): Promise<OldRedis> {
    const sockets = new Set<Socket>();
    const info = `# Server\r\nredis_version:${version}\r\nmaxmemory_policy:noeviction\r\n`;
    const server = createServer((socket) => {
      sockets.add(socket);
      socket.on('error', () => undefined);
      socket.on('data', (data) => {
        for (const command of commandsIn(String(data))) socket.write(answer(command, info));
      });
    });
    server.listen(0, '127.0.0.1');
    await once(server, 'listening');
    const address = server.address();
    if (address === null || typeof address === 'string') throw new Error('no port');
    return new OldRedis(server, sockets, `redis://127.0.0.1:${address.port}`);
  }

  async end(): Promise<void> {
    for (const socket of this.sockets) socket.destroy();
    this.server.close();
    await once(this.server, 'close');
  }
}

/** RESP arrays of bulk strings (Redis protocol specification): `*2\r\n$4\r\nINFO\r\n…`. */
function commandsIn(text: string): string[] {
  return text
    .split(/\*\d+\r\n/)
    .filter((part) => part !== '')
    .map((part) => (part.split('\r\n')[1] ?? '').toLowerCase());
}

function answer(command: string, info: string): string {
  if (command === 'info') return `$${Buffer.byteLength(info)}\r\n${info}\r\n`;
  // Servers before 6.0 know no HELLO.
  if (command === 'hello') return '-ERR unknown command `HELLO`\r\n';
  return '+OK\r\n';
}
