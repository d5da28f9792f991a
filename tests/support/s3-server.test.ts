import { describe, expect, it } from 'vitest';
import { signatureOf } from './s3-server.ts';

const EMPTY = 'e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855';

// https://docs.aws.amazon.com/AmazonS3/latest/API/sig-v4-header-based-auth.html, "Examples: Signature calculations":
// requests, key and signatures as given there.
const EXAMPLES: {
  name: string;
  method: string;
  url: string;
  headers: { [name: string]: string };
  signature: string;
}[] = [
  {
    name: 'GET of an object',
    method: 'GET',
    url: '/test.txt',
    headers: { range: 'bytes=0-9', 'x-amz-content-sha256': EMPTY },
    signature: 'f0e8bdb87c964420e857bd35b5d6ed310bd44f0170aba48dd91039c6036bdb41',
  },
  {
    name: 'PUT of an object',
    method: 'PUT',
    url: '/test%24file.text',
    headers: {
      date: 'Fri, 24 May 2013 00:00:00 GMT',
      'x-amz-content-sha256': '44ce7dd67c959e0d3524ffac1771dfbba87d2b6b4b4e99e42034a8b803f8b072',
      'x-amz-storage-class': 'REDUCED_REDUNDANCY',
    },
    signature: '98ad721746da40c64f1a55b78f14c238d841ea1380cd77a1b5971af0ece108bd',
  },
  {
    name: 'GET of the lifecycle of a bucket',
    method: 'GET',
    url: '/?lifecycle',
    headers: { 'x-amz-content-sha256': EMPTY },
    signature: 'fea454ca298b7da1c68078a5d1bdbfbbe0d65c699e0f91ac7a200a0136783543',
  },
  {
    name: 'list of objects',
    method: 'GET',
    url: '/?max-keys=2&prefix=J',
    headers: { 'x-amz-content-sha256': EMPTY },
    signature: '34b48302e7b5fa45bde8084f4b7868a86f0a534bc59db6670ed5711ef69dc6f7',
  },
];

describe('the signature that the object store of the tests expects', () => {
  it.each(EXAMPLES)('is the published one: $name', ({ method, url, headers, signature }) => {
    const date = '20130524T000000Z';
    const got = signatureOf({
      method,
      url,
      headers: { ...headers, host: 'examplebucket.s3.amazonaws.com', 'x-amz-date': date },
      date,
      scope: '20130524/us-east-1/s3/aws4_request',
      secretAccessKey: 'wJalrXUtnFEMI/K7MDENG/bPxRfiCYEXAMPLEKEY',
    });
    expect(got).toBe(signature);
  });
});
