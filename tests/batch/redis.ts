import { spawn, spawnSync } from 'node:child_process';
import { once } from 'node:events';
import { type AddressInfo, createServer } from 'node:net';

/** Debian's package `redis-server`. */
export const hasRedis = spawnSync('redis-server', ['--version'], { stdio: 'ignore' }).status === 0;

export interface RedisServer {
  url: string;
  port: number;
  stop(): Promise<void>;
}

/**
 * A Redis server of our own on a port of this machine, in memory only.
 * @param given  a free one when left out
 */
export async function startRedis(given?: number): Promise<RedisServer> {
  const port = given ?? (await freePort());
  const args = ['--port', String(port), '--bind', '127.0.0.1', '--save', '', '--appendonly', 'no', '--dir', '/tmp'];
  const server = spawn('redis-server', args, { stdio: ['ignore', 'pipe', 'inherit'] });
  await new Promise<void>((ready, fail) => {
    server.on('error', fail);
    server.on('exit', (code) => fail(new Error(`redis-server ended with ${code}`)));
    server.stdout.setEncoding('utf8').on('data', (text: string) => {
      if (/ready to accept connections/i.test(text)) ready();
    });
  });
  server.removeAllListeners('exit');
  return {
    url: `redis://127.0.0.1:${port}`,
    port,
    async stop() {
      const ended = once(server, 'exit');
      server.kill('SIGTERM');
      await ended;
    },
  };
}

async function freePort(): Promise<number> {
  const probe = createServer().listen(0, '127.0.0.1');
  await once(probe, 'listening');
  const { port } = probe.address() as AddressInfo;
  probe.close();
  await once(probe, 'close');
  return port;
}
