/**
 * An S3-compatible object store: four requests (GET, HEAD, PUT, PUT where there is none), signed with version 4.
 *
 * Why aws4fetch signs them and not the maker's own client: that one brings 27 packages of 22 MB, and by default checksums
 * that stores of other makers do not know; aws4fetch is one file without dependencies. What it lacks, and is here: tries
 * again when the connection breaks, and words for what went wrong.
 */
import { createHash } from 'node:crypto';
import { setTimeout as pause } from 'node:timers/promises';
import { AwsClient } from 'aws4fetch';
import { RigproofError } from '../../errors.ts';
import { noStore, type Store } from './store.ts';

/** Answers a request that a store does not know: asked again, it says the same. */
const NOT_IMPLEMENTED = 501;
/** A request is tried so often while the store is busy or the connection breaks. */
const MOST_TRIES = 5;
/** The pause after the first try; each further one is twice as long. */
const FIRST_PAUSE = 200; // ms. Five tries take 3 s together.

/**
 * Where a store knows no `If-None-Match`, those who make the same file at once all write it; so long after, what stands
 * there stays. ms
 */
const SETTLING = 2000;

/** What the object store's own tools read too. */
interface Access {
  endpoint: string;
  region: string;
  accessKeyId: string;
  secretAccessKey: string;
  sessionToken: string | undefined;
}

/**
 * @param address  `s3://bucket` or `s3://bucket/prefix`
 * @throws RigproofError STORE_ADDRESS, STORE_KEY; its functions: STORE_CONNECT, STORE_BUCKET, STORE_DENIED, STORE_FAULT
 */
export function openObjectStore(address: string, environment: NodeJS.ProcessEnv): Store {
  const match = /^s3:\/\/([a-z0-9][a-z0-9.-]{1,61}[a-z0-9])(\/.*)?$/i.exec(address);
  if (!match) throw noStore(address);
  const bucket = match[1]!;
  const prefix = (match[2] ?? '').split('/').filter((part) => part !== '');
  const access = readAccess(environment);
  const client = new AwsClient({ ...access, service: 's3', retries: 0 });
  const at = { bucket, endpoint: access.endpoint };
  const urlOf = (name: string) =>
    [access.endpoint, bucket, ...[...prefix, ...name.split('/')].map(encodeURIComponent)].join('/');

  const send = async (method: string, name: string, body?: Uint8Array, headers: Record<string, string> = {}) => {
    const payload = createHash('sha256')
      .update(body ?? '')
      .digest('hex');
    const signed = { ...headers, 'x-amz-content-sha256': payload };
    const options = { method, headers: signed, body: body as BodyInit | undefined, redirect: 'manual' } as const;
    return sendPatiently(() => client.fetch(urlOf(name), options), at);
  };
  const isMissing = async (response: Response): Promise<boolean> => {
    if (response.ok) return false;
    const fault = await readFault(response);
    // The answer to HEAD has no body, so the bucket may be what is missing; the first GET has told.
    if (response.status === 404 && fault.code !== 'NoSuchBucket') return true;
    throw refused(response.status, fault, at);
  };
  const put = async (name: string, bytes: Uint8Array) => {
    const response = await send('PUT', name, bytes);
    if (response.ok) return response.body?.cancel();
    throw refused(response.status, await readFault(response), at);
  };
  const size = async (name: string) => {
    const response = await send('HEAD', name);
    return (await isMissing(response)) ? null : Number(response.headers.get('content-length'));
  };
  return {
    address,
    async read(name) {
      const response = await send('GET', name);
      return (await isMissing(response)) ? null : new Uint8Array(await response.arrayBuffer());
    },
    size,
    write: (name, bytes) => put(name, bytes),
    async create(name, bytes) {
      const response = await send('PUT', name, bytes, { 'if-none-match': '*' });
      // It is there already, or another one is writing it.
      if (response.ok || response.status === 412) return response.body?.cancel();
      if (response.status === 409) {
        await response.body?.cancel();
        await pause(SETTLING);
        return;
      }
      const fault = await readFault(response);
      if (response.status !== NOT_IMPLEMENTED) throw refused(response.status, fault, at);
      if ((await size(name)) !== null) return;
      await put(name, bytes);
      await pause(SETTLING);
    },
  };
}

function readAccess(environment: NodeJS.ProcessEnv): Access {
  const { AWS_ACCESS_KEY_ID: accessKeyId, AWS_SECRET_ACCESS_KEY: secretAccessKey } = environment;
  if (!accessKeyId || !secretAccessKey) {
    const missing = accessKeyId ? 'AWS_SECRET_ACCESS_KEY' : 'AWS_ACCESS_KEY_ID';
    throw new RigproofError(
      'STORE_KEY',
      `There is no key for the store: ${missing} is not set.`,
      {},
      { hint: 'Set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY in the environment, on every machine.' },
    );
  }
  const region = environment.AWS_REGION || environment.AWS_DEFAULT_REGION || 'us-east-1';
  const endpoint =
    environment.AWS_ENDPOINT_URL_S3 || environment.AWS_ENDPOINT_URL || `https://s3.${region}.amazonaws.com`;
  if (!URL.canParse(endpoint) || !/^https?:/.test(endpoint)) {
    throw new RigproofError(
      'STORE_ADDRESS',
      `AWS_ENDPOINT_URL is "${endpoint}", which is no address.`,
      {},
      { hint: 'For instance https://objects.example.com:9000.' },
    );
  }
  return {
    endpoint: endpoint.replace(/\/+$/, ''),
    region,
    accessKeyId,
    secretAccessKey,
    sessionToken: environment.AWS_SESSION_TOKEN || undefined,
  };
}

/** Sends a request again while the store says that it is busy, or the connection breaks. */
async function sendPatiently(request: () => Promise<Response>, { endpoint }: { endpoint: string }): Promise<Response> {
  for (let tries = 1; ; tries++) {
    let response: Response | undefined;
    let cause: unknown;
    try {
      response = await request();
      const isBusy = response.status >= 500 || response.status === 429;
      if (!isBusy || response.status === NOT_IMPLEMENTED) return response;
    } catch (error) {
      cause = error;
    }
    if (tries === MOST_TRIES) {
      if (response) return response;
      throw new RigproofError(
        'STORE_CONNECT',
        `Nobody answers at ${endpoint} (${reasonOf(cause)}).`,
        {},
        {
          hint: 'Check AWS_ENDPOINT_URL, and that the store is reached from this machine. What is done is kept: the same command goes on from there.',
          cause,
        },
      );
    }
    await response?.body?.cancel();
    // Spread, so that many machines do not come back at once.
    await pause(FIRST_PAUSE * 2 ** (tries - 1) * (0.75 + Math.random() / 2));
  }
}

function reasonOf(error: unknown): string {
  const cause = (error as { cause?: { code?: string; message?: string } }).cause;
  return cause?.code ?? cause?.message ?? (error as Error).message;
}

/** What a store says in the body of a refusal: XML with a code and a message; empty for HEAD. */
async function readFault(response: Response): Promise<{ code: string; message: string }> {
  const text = await response.text();
  const inner = (tag: string) => new RegExp(`<${tag}>([^<]*)</${tag}>`).exec(text)?.[1] ?? '';
  return { code: inner('Code'), message: inner('Message') };
}

function refused(
  status: number,
  fault: { code: string; message: string },
  { bucket, endpoint }: { bucket: string; endpoint: string },
): RigproofError {
  const code = fault.code || `status ${status}`;
  if (fault.code === 'NoSuchBucket') {
    return new RigproofError(
      'STORE_BUCKET',
      `There is no bucket "${bucket}" at ${endpoint}.`,
      {},
      { hint: 'Check its name and AWS_ENDPOINT_URL, or make it first: rigproof makes none.' },
    );
  }
  if (fault.code === 'RequestTimeTooSkewed') {
    return new RigproofError(
      'STORE_DENIED',
      `${endpoint} refuses a request with the time of this machine.`,
      {},
      { hint: 'Set the clock of this machine.' },
    );
  }
  if (status === 401 || status === 403) {
    return new RigproofError(
      'STORE_DENIED',
      `${endpoint} refuses access to "${bucket}" (${code}).`,
      {},
      {
        hint: 'Check AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY; the key must be allowed to list, get and put objects there.',
      },
    );
  }
  const isElsewhere = (status >= 300 && status < 400) || fault.code === 'AuthorizationHeaderMalformed';
  return new RigproofError(
    'STORE_FAULT',
    `${endpoint} answers for "${bucket}": ${code}${fault.message ? `, ${fault.message}` : ''}.`,
    {},
    { hint: isElsewhere ? 'Set AWS_REGION to the region of the bucket.' : 'Look at what the store itself reports.' },
  );
}
