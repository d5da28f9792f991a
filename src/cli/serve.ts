import { randomBytes } from 'node:crypto';
import { existsSync } from 'node:fs';
import { readFile, stat } from 'node:fs/promises';
import { createServer, type Server, type ServerResponse } from 'node:http';
import { basename, extname, join, normalize } from 'node:path';
import { fileURLToPath } from 'node:url';
import { RigproofError } from '../errors.ts';

/** A file that the page may fetch, by the name it is offered under. */
export interface ServedFile {
  name: string;
  path: string;
}

export interface ServeOptions {
  /** Built app: the folder with its index.html. */
  folder: string;
  /** Files that are handed to the page. */
  files?: readonly ServedFile[];
  /** 0: a free one. */
  port?: number;
  /** Interface to listen on. */
  host?: string;
}

export interface Served {
  /** Where the app is, with the token that lets one in. */
  url: string;
  server: Server;
  close(): Promise<void>;
}

const TYPES: { [extension: string]: string } = {
  '.html': 'text/html; charset=utf-8',
  '.js': 'text/javascript; charset=utf-8',
  '.css': 'text/css; charset=utf-8',
  '.json': 'application/json; charset=utf-8',
  '.wasm': 'application/wasm',
};

/** What the page may do: its own scripts, styles and files, and nothing elsewhere. Also stands in its index.html. */
const POLICY =
  "default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; worker-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/**
 * The built app beside the program, or where a build in the project leaves it.
 * @throws RigproofError WEB_NOT_BUILT
 */
export function builtApp(): string {
  for (const place of ['../web/', '../../dist/web/']) {
    const folder = fileURLToPath(new URL(place, import.meta.url));
    if (existsSync(join(folder, 'index.html')) && existsSync(join(folder, 'assets'))) return folder;
  }
  throw new RigproofError('WEB_NOT_BUILT', 'The browser app is not built.', {}, { hint: 'Run: npm run build:web' });
}

/**
 * Serves the app and the files to this machine. Every address begins with a random token, so that other pages and other
 * users of the machine cannot ask for the files, and requests under another host name are turned away.
 * @throws RigproofError SERVE_PORT
 */
export async function serveApp({ folder, files = [], port = 0, host = '127.0.0.1' }: ServeOptions): Promise<Served> {
  const token = randomBytes(16).toString('hex');
  let authority = '';
  const server = createServer((request, response) => {
    void answer(request.method ?? '', request.headers.host ?? '', request.url ?? '', response).catch(() => {
      response.destroy();
    });
  });

  async function answer(method: string, asked: string, url: string, response: ServerResponse): Promise<void> {
    const refuse = (status: number): void => {
      response.writeHead(status, { 'content-type': 'text/plain' }).end(`${status}`);
    };
    if (method !== 'GET' && method !== 'HEAD') return refuse(405);
    if (asked !== authority) return refuse(421);
    const path = pathOf(url);
    if (path === null || !path.startsWith(`/${token}/`)) return refuse(404);
    const inner = path.slice(token.length + 2);
    if (inner === 'files.json') {
      const list = files.map(({ name }, i) => ({ name, url: `files/${i}` }));
      return send(response, method, Buffer.from(JSON.stringify(list)), '.json');
    }
    const index = /^files\/(\d+)$/.exec(inner)?.[1];
    const file = index === undefined ? join(folder, inner === '' ? 'index.html' : inner) : files[Number(index)]?.path;
    if (file === undefined || !(await isFile(file))) return refuse(404);
    return send(response, method, await readFile(file), extname(file));
  }

  await new Promise<void>((done, fail) => {
    server.once('error', (cause: NodeJS.ErrnoException) => {
      fail(
        new RigproofError(
          'SERVE_PORT',
          `The app cannot be served on ${host}:${port} (${cause.code ?? cause.message}).`,
          {},
          { hint: 'Leave --port out to take a free one.', cause },
        ),
      );
    });
    server.listen(port, host, done);
  });
  const address = server.address();
  const at = typeof address === 'object' && address ? address.port : port;
  authority = `${host.includes(':') ? `[${host}]` : host}:${at}`;
  const url = `http://${authority}/${token}/${files.length > 0 ? '?files' : ''}`;
  const close = (): Promise<void> =>
    new Promise((done) => {
      server.close(() => done());
      server.closeAllConnections();
    });
  return { url, server, close };
}

/** Files under their own names; buffers of a .gltf that lie beside it come along. */
export async function filesToServe(paths: readonly string[]): Promise<ServedFile[]> {
  const files: ServedFile[] = [];
  for (const path of paths) {
    if (!(await isFile(path))) {
      throw new RigproofError('FILE_OPEN', 'There is no such file.', { file: path }, { hint: 'Check the path.' });
    }
    files.push({ name: basename(path), path });
    if (extname(path).toLowerCase() === '.gltf') files.push(...(await buffersOf(path)));
  }
  return files;
}

async function buffersOf(path: string): Promise<ServedFile[]> {
  try {
    const { buffers = [] } = JSON.parse(await readFile(path, 'utf8')) as { buffers?: { uri?: string }[] };
    const names = buffers.flatMap(({ uri }) => (uri && !uri.startsWith('data:') ? [decodeURIComponent(uri)] : []));
    const inside = names.filter((name) => !/^([/\\]|[a-z]+:)/i.test(name) && !normalize(name).startsWith('..'));
    return inside.map((name) => ({ name: basename(name), path: join(path, '..', name) }));
  } catch {
    return []; // the page reads the file again and says what is wrong with it
  }
}

/** The path that is asked for, without tricks; null where it has some. */
function pathOf(url: string): string | null {
  try {
    const path = decodeURIComponent(url.split(/[?#]/, 1)[0]!);
    return path.includes('\0') || path.includes('\\') || path.split('/').includes('..') ? null : path;
  } catch {
    return null;
  }
}

async function isFile(path: string): Promise<boolean> {
  return stat(path).then(
    (found) => found.isFile(),
    () => false,
  );
}

function send(response: ServerResponse, method: string, bytes: Uint8Array, extension: string): void {
  response.writeHead(200, {
    'content-type': TYPES[extension] ?? 'application/octet-stream',
    'content-length': bytes.length,
    'content-security-policy': POLICY,
    'cache-control': 'no-store',
    'referrer-policy': 'no-referrer',
    'x-content-type-options': 'nosniff',
  });
  response.end(method === 'HEAD' ? undefined : bytes);
}
