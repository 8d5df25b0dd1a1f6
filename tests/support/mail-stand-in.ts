import type { AddressInfo } from 'node:net';
import { createServer, type Server } from 'node:net';

export interface TakenMail {
  readonly from: string;
  readonly to: readonly string[];
  readonly text: string;
}

/** A small mail server of our own (RFC 5321, as far as one client needs it; from memory), simulated. */
export class MailStandIn {
  readonly mails: TakenMail[] = [];
  /** Credentials that were presented, decoded. */
  readonly logins: string[] = [];
  /** Answers every sender with 451 as long as it is true. */
  isRefusing = false;

  private constructor(
    private readonly server: Server,
    readonly port: number,
  ) {}

  static async open(): Promise<MailStandIn> {
    const server = createServer();
    await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
    const standIn = new MailStandIn(server, (server.address() as AddressInfo).port);
    server.on('connection', (socket) => standIn.#serve(socket));
    return standIn;
  }

  close(): Promise<void> {
    return new Promise((resolve) => this.server.close(() => resolve()));
  }

  #serve(socket: import('node:net').Socket): void {
    let from = '';
    let to: string[] = [];
    let data: string[] | null = null;
    let rest = '';
    const say = (line: string) => socket.write(`${line}\r\n`);
    socket.on('error', () => undefined);
    say('220 stand-in (simulated)');
    socket.on('data', (chunk) => {
      rest += chunk.toString('utf8');
      const lines = rest.split('\r\n');
      rest = lines.pop() ?? '';
      for (const line of lines) {
        if (data !== null) {
          if (line !== '.') data.push(line.startsWith('..') ? line.slice(1) : line);
          else {
            this.mails.push({ from, to, text: data.join('\n') });
            data = null;
            say('250 taken as 1 (simulated)');
          }
          continue;
        }
        const verb = line.slice(0, 4).toUpperCase();
        if (verb === 'EHLO') socket.write('250-stand-in\r\n250 AUTH PLAIN\r\n');
        else if (verb === 'AUTH') {
          this.logins.push(Buffer.from(line.split(' ').at(-1) ?? '', 'base64').toString('utf8'));
          say('235 in');
        } else if (verb === 'MAIL') {
          from = line;
          to = [];
          say(this.isRefusing ? '451 not now (simulated)' : '250 ok');
        } else if (verb === 'RCPT') {
          to.push(line);
          say('250 ok');
        } else if (verb === 'DATA') {
          data = [];
          say('354 go on');
        } else if (verb === 'QUIT') {
          say('221 bye');
          socket.end();
        } else say('250 ok');
      }
    });
  }
}
