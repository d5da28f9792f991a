import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { request } from 'node:http';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { filesToServe, type Served, serveApp } from '../../src/cli/serve.ts';

describe('serving the browser app', () => {
  let folder: string;
  let served: Served;

  beforeAll(async () => {
    folder = mkdtempSync(join(tmpdir(), 'rigproof-serve-'));
    mkdirSync(join(folder, 'app'));
    writeFileSync(join(folder, 'app', 'index.html'), '<!doctype html>');
    writeFileSync(join(folder, 'secret.txt'), 'secret');
    writeFileSync(join(folder, 'walk.bvh'), 'HIERARCHY');
    writeFileSync(
      join(folder, 'hero.gltf'),
      JSON.stringify({ buffers: [{ uri: 'hero.bin' }, { uri: '../secret.txt' }] }),
    );
    writeFileSync(join(folder, 'hero.bin'), 'abc');
    const files = await filesToServe([join(folder, 'walk.bvh'), join(folder, 'hero.gltf')]);
    served = await serveApp({ folder: join(folder, 'app'), files });
  });

  afterAll(async () => {
    await served.close();
    rmSync(folder, { recursive: true, force: true });
  });

  /** A request as it is, without what fetch would tidy up. */
  function ask(
    path: string,
    host?: string,
    method = 'GET',
  ): Promise<{ status: number; headers: object; text: string }> {
    const { hostname, port } = new URL(served.url);
    return new Promise((done, fail) => {
      const sent = request(
        { hostname, port, path, method, headers: { host: host ?? `${hostname}:${port}` } },
        (got) => {
          let text = '';
          got.setEncoding('utf8').on('data', (part) => {
            text += part;
          });
          got.on('end', () => done({ status: got.statusCode!, headers: got.headers, text }));
        },
      );
      sent.on('error', fail);
      sent.end();
    });
  }
  const base = (): string => new URL(served.url).pathname;

  it('listens on this machine alone and gives the page under a token, with a strict policy', async () => {
    expect(served.url).toMatch(/^http:\/\/127\.0\.0\.1:\d+\/[0-9a-f]{32}\/\?files$/);
    const { status, headers, text } = await ask(base());
    expect([status, text]).toEqual([200, '<!doctype html>']);
    expect(headers).toMatchObject({ 'content-security-policy': expect.stringContaining("default-src 'none'") });
  });

  it('hands over the files that were named and the buffers beside them, and no others', async () => {
    const list = JSON.parse((await ask(`${base()}files.json`)).text) as { name: string; url: string }[];
    expect(list.map(({ name }) => name)).toEqual(['walk.bvh', 'hero.gltf', 'hero.bin']);
    expect((await ask(base() + list[2]!.url)).text).toBe('abc');
    expect((await ask(`${base()}files/3`)).status).toBe(404);
  });

  it.each(['/', '/index.html', '/0123456789abcdef0123456789abcdef/', '/files.json'])(
    'gives nothing without the token: %s',
    async (path) => {
      expect((await ask(path)).status).toBe(404);
    },
  );

  it.each(['../secret.txt', '..%2fsecret.txt', '%2e%2e/secret.txt', 'x/../../secret.txt', '..%5csecret.txt', '%00'])(
    'does not leave its folder: %s',
    async (path) => {
      const { status, text } = await ask(base() + path);
      expect([status, text]).toEqual([404, '404']);
    },
  );

  it('turns away another host name, which a page elsewhere might use, and anything but reading', async () => {
    expect((await ask(base(), 'evil.example')).status).toBe(421);
    expect((await ask(base(), undefined, 'POST')).status).toBe(405);
  });

  it('says when a file is missing or a port is taken', async () => {
    await expect(filesToServe([join(folder, 'none.bvh')])).rejects.toMatchObject({ code: 'FILE_OPEN' });
    const port = Number(new URL(served.url).port);
    await expect(serveApp({ folder: join(folder, 'app'), port })).rejects.toMatchObject({ code: 'SERVE_PORT' });
  });
});
