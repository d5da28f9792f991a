import { createHash, createHmac, timingSafeEqual } from 'node:crypto';
import { once } from 'node:events';
import { createServer, type IncomingMessage, type ServerResponse } from 'node:http';
import type { AddressInfo } from 'node:net';

/**
 * An object store of our own for tests: buckets in memory that speak as much of the S3 REST interface as is used here (GET,
 * HEAD, PUT, If-None-Match, the XML of refusals), and check every signature by AWS Signature Version 4 as published. The
 * ones on the registry that run on this Node take any signature of that version.
 */
export interface S3Server {
  /** `http://127.0.0.1:port` */
  endpoint: string;
  /** What a bucket holds, by key. */
  objects(bucket: string): Map<string, Buffer>;
  /** Requests so far, as `PUT bucket/key`, those that were refused too. */
  requests: string[];
  /** The next requests get this status (0: the connection breaks), then all is well again. */
  failNext(count: number, status: number): void;
  /** Whether If-None-Match is known; where not, it is answered with 501, as OpenStack Swift 2.30 does. */
  knowsConditions: boolean;
  stop(): Promise<void>;
}

export interface S3Key {
  accessKeyId: string;
  secretAccessKey: string;
}

const MOST_SKEW = 15 * 60; // s, as S3 has it.

export async function startS3(key: S3Key, buckets: readonly string[]): Promise<S3Server> {
  const stored = new Map(buckets.map((name) => [name, new Map<string, Buffer>()]));
  const requests: string[] = [];
  const failing = { count: 0, status: 0 };
  const server = createServer((request, response) => {
    void (async () => {
      const chunks: Buffer[] = [];
      for await (const chunk of request) chunks.push(chunk as Buffer);
      requests.push(`${request.method} ${decodeURIComponent(request.url!.slice(1))}`);
      if (failing.count > 0) {
        failing.count--;
        if (failing.status === 0) request.socket.destroy();
        else send(request, response, { status: failing.status, code: 'SlowDown' });
        return;
      }
      if (!s3.knowsConditions && request.headers['if-none-match']) {
        send(request, response, { status: 501, code: 'NotImplemented' });
        return;
      }
      send(request, response, answer(request, Buffer.concat(chunks), { key, stored }));
    })().catch(() => request.socket.destroy());
  }).listen(0, '127.0.0.1');
  await once(server, 'listening');
  const s3: S3Server = {
    endpoint: `http://127.0.0.1:${(server.address() as AddressInfo).port}`,
    objects: (bucket) => stored.get(bucket)!,
    requests,
    failNext: (count, status) => void Object.assign(failing, { count, status }),
    knowsConditions: true,
    async stop() {
      server.close();
      server.closeAllConnections();
      await once(server, 'close');
    },
  };
  return s3;
}

interface Answer {
  status: number;
  /** Why it was refused. */
  code?: string;
  /** The object that is spoken of. */
  object?: Buffer;
}

function answer(
  request: IncomingMessage,
  body: Buffer,
  { key, stored }: { key: S3Key; stored: Map<string, Map<string, Buffer>> },
): Answer {
  const fault = faultOf(request, body, key, Date.now());
  if (fault) return { status: fault === 'XAmzContentSHA256Mismatch' ? 400 : 403, code: fault };
  const path = decodeURIComponent(new URL(request.url!, 'http://x').pathname).slice(1);
  const slash = path.indexOf('/');
  const objects = stored.get(path.slice(0, slash));
  const name = path.slice(slash + 1);
  if (!objects) return { status: 404, code: 'NoSuchBucket' };
  const object = objects.get(name);
  if (request.method === 'PUT') {
    if (request.headers['if-none-match'] === '*' && object) return { status: 412, code: 'PreconditionFailed' };
    objects.set(name, body);
    return { status: 200, object: body };
  }
  if (request.method === 'GET' || request.method === 'HEAD') {
    return object ? { status: 200, object } : { status: 404, code: 'NoSuchKey' };
  }
  return { status: 501, code: 'NotImplemented' };
}

function send({ method }: IncomingMessage, response: ServerResponse, { status, code, object }: Answer): void {
  const text = `<?xml version="1.0" encoding="UTF-8"?>\n<Error><Code>${code}</Code><Message>Said by a test.</Message></Error>`;
  const body = code === undefined ? object! : Buffer.from(text);
  if (object) response.setHeader('etag', etagOf(object));
  if (method === 'PUT' && !code) response.writeHead(status).end();
  else response.writeHead(status, { 'content-length': body.length }).end(method === 'HEAD' ? undefined : body);
}

const etagOf = (bytes: Buffer) => `"${createHash('md5').update(bytes).digest('hex')}"`;

const sha256 = (data: string | Buffer) => createHash('sha256').update(data).digest('hex');

function faultOf(request: IncomingMessage, body: Buffer, key: S3Key, now: number): string | null {
  const { headers } = request;
  const parts =
    /^AWS4-HMAC-SHA256 Credential=([^/]+)\/(\d{8}\/[^/]+\/s3\/aws4_request), ?SignedHeaders=([^,]+), ?Signature=([0-9a-f]{64})$/.exec(
      headers.authorization ?? '',
    );
  const date = String(headers['x-amz-date'] ?? '');
  if (!parts || !date.startsWith(parts[2]!.slice(0, 8))) return 'AccessDenied';
  const [, accessKeyId, scope, signedHeaders, signature] = parts as unknown as string[];
  if (accessKeyId !== key.accessKeyId) return 'InvalidAccessKeyId';
  const time = Date.parse(date.replace(/^(....)(..)(..T..)(..)(..Z)$/, '$1-$2-$3:$4:$5'));
  if (!(Math.abs(now - time) <= MOST_SKEW * 1000)) return 'RequestTimeTooSkewed';
  const names = signedHeaders!.split(';');
  if (!names.includes('host') || !names.includes('x-amz-content-sha256')) return 'AccessDenied';
  const expected = signatureOf({
    method: request.method!,
    url: request.url!,
    headers: Object.fromEntries(names.map((name) => [name, String(headers[name] ?? '')])),
    date,
    scope: scope!,
    secretAccessKey: key.secretAccessKey,
  });
  if (!timingSafeEqual(Buffer.from(expected), Buffer.from(signature!))) return 'SignatureDoesNotMatch';
  return headers['x-amz-content-sha256'] === sha256(body) ? null : 'XAmzContentSHA256Mismatch';
}

export interface SignedRequest {
  method: string;
  /** Path and query as sent. */
  url: string;
  /** Those that are signed, names in lower case; `x-amz-content-sha256` among them. */
  headers: { [name: string]: string };
  /** `20130524T000000Z` */
  date: string;
  /** `20130524/us-east-1/s3/aws4_request` */
  scope: string;
  secretAccessKey: string;
}

/**
 * AWS Signature Version 4 for S3: https://docs.aws.amazon.com/AmazonS3/latest/API/sig-v4-header-based-auth.html, tasks 1
 * to 3. Written from that text, and apart from what signs the requests.
 */
export function signatureOf({ method, url, headers, date, scope, secretAccessKey }: SignedRequest): string {
  const encode = (text: string) =>
    encodeURIComponent(text).replace(/[!'()*]/g, (c) => `%${c.charCodeAt(0).toString(16).toUpperCase()}`);
  const [path, query = ''] = url.split('?', 2) as [string, string?];
  const names = Object.keys(headers).sort();
  const canonicalRequest = [
    method,
    decodeURIComponent(path).split('/').map(encode).join('/'),
    query
      .split('&')
      .filter((pair) => pair !== '')
      .map((pair) => pair.split('=', 2).map((part) => encode(decodeURIComponent(part))))
      .map(([name, value]) => `${name}=${value ?? ''}`)
      .sort()
      .join('&'),
    ...names.map((name) => `${name}:${headers[name]!.trim().replace(/ +/g, ' ')}`),
    '',
    names.join(';'),
    headers['x-amz-content-sha256'],
  ].join('\n');
  const stringToSign = ['AWS4-HMAC-SHA256', date, scope, sha256(canonicalRequest)].join('\n');
  const hmac = (secret: string | Buffer, text: string) => createHmac('sha256', secret).update(text).digest();
  const signingKey = scope.split('/').reduce<string | Buffer>(hmac, `AWS4${secretAccessKey}`);
  return hmac(signingKey, stringToSign).toString('hex');
}
