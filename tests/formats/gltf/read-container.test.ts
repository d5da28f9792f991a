import { mkdtempSync, rmSync, symlinkSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { RigproofError } from '../../../src/errors.ts';
import { parseContainer } from '../../../src/formats/gltf/container.ts';
import { readContainerFile } from '../../../src/formats/gltf/node.ts';
import { GltfBuilder, packGlb } from '../../support/gltf-builder.ts';

function leg(): GltfBuilder {
  const builder = new GltfBuilder();
  const [thigh, shin] = builder.chain([{ name: 'thigh' }, { name: 'shin', translation: [0, -0.4, 0] }]);
  builder.scene([thigh!]);
  builder.skin([thigh!, shin!], [...identity(), ...identity()]);
  builder.animation('kick', [{ node: shin!, path: 'rotation', times: [0, 1], values: [0, 0, 0, 1, 1, 0, 0, 0] }]);
  return builder;
}

function identity(): number[] {
  return [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1];
}

function faultOf(run: () => unknown): RigproofError {
  try {
    run();
  } catch (error) {
    expect(error).toBeInstanceOf(RigproofError);
    return error as RigproofError;
  }
  throw new Error('nothing was refused');
}

const encode = (text: string): Uint8Array => new TextEncoder().encode(text);

describe('parseContainer', () => {
  it('keeps the JSON text and the bytes of a .glb as they stand in the file', () => {
    const builder = leg();
    const bytes = builder.glb();
    const before = bytes.slice();
    const container = parseContainer(bytes, 'leg.glb');
    expect(container.form).toBe('glb');
    expect(container.jsonText.trimEnd()).toBe(builder.text());
    expect(container.jsonText.length % 4).toBe(0);
    expect(container.buffers[0]!.subarray(0, builder.binary().length)).toEqual(builder.binary());
    expect(bytes).toEqual(before);
  });

  it('keeps chunks it does not know', () => {
    const plain = leg().glb();
    const bytes = new Uint8Array(plain.length + 12);
    bytes.set(plain);
    const view = new DataView(bytes.buffer);
    view.setUint32(8, bytes.length, true);
    view.setUint32(plain.length, 4, true);
    view.setUint32(plain.length + 4, 0x12345678, true);
    bytes.set([1, 2, 3, 4], plain.length + 8);
    const { otherChunks } = parseContainer(bytes, 'leg.glb');
    expect(otherChunks).toEqual([{ type: 0x12345678, bytes: Uint8Array.from([1, 2, 3, 4]) }]);
  });

  it('reads a .gltf with its buffer in a data URI, with a byte order mark before it', () => {
    const builder = leg();
    const container = parseContainer(Uint8Array.from([0xef, 0xbb, 0xbf, ...builder.gltf()]), 'leg.gltf');
    expect(container.form).toBe('gltf');
    expect(container.buffers[0]).toEqual(builder.binary());
    expect(container.jsonText.charCodeAt(0)).toBe(0xfeff);
  });

  it('asks for an external buffer by its decoded name', () => {
    const builder = leg();
    const asked: string[] = [];
    const container = parseContainer(encode(builder.text('my%20leg.bin')), 'leg.gltf', (uri) => {
      asked.push(uri);
      return builder.binary();
    });
    expect(asked).toEqual(['my leg.bin']);
    expect(container.buffers[0]).toEqual(builder.binary());
  });

  it('says that bytes after the declared end are ignored', () => {
    const bytes = leg().glb();
    const container = parseContainer(Uint8Array.from([...bytes, 0, 0, 0]), 'leg.glb');
    expect(container.notes.map((note) => note.code)).toEqual(['GLTF_TRAILING_BYTES']);
  });

  it('accepts a document without scenes', () => {
    const builder = leg();
    builder.json.scenes.length = 0;
    expect(parseContainer(builder.glb(), 'leg.glb').json.scene).toBeUndefined();
  });
});

describe('bad containers are refused with a place and a remedy', () => {
  const glb = leg().glb();
  const patched = (offset: number, value: number): Uint8Array => {
    const bytes = glb.slice();
    new DataView(bytes.buffer).setUint32(offset, value, true);
    return bytes;
  };
  it.each<[string, Uint8Array, string]>([
    ['empty', new Uint8Array(0), 'GLTF_EMPTY'],
    ['another binary format', Uint8Array.from([0x89, 0x50, 0x4e, 0x47, 1, 2, 3, 4]), 'GLTF_FORM'],
    ['another text format', encode('HIERARCHY\nROOT Hips'), 'GLTF_FORM'],
    ['glb version 1', patched(4, 1), 'GLTF_VERSION'],
    ['declared longer than it is', patched(8, glb.length + 40), 'GLTF_TRUNCATED'],
    ['cut in the middle', glb.subarray(0, glb.length >> 1), 'GLTF_TRUNCATED'],
    ['cut in the header', glb.subarray(0, 9), 'GLTF_TRUNCATED'],
    ['nothing after the header', packHeaderOnly(), 'GLTF_TRUNCATED'],
    ['a chunk longer than the file', patched(12, 1 << 30), 'GLTF_TRUNCATED'],
    ['first chunk is no JSON', patched(16, 0x004e4942), 'GLTF_CHUNK'],
    [
      'not UTF-8',
      Uint8Array.from([...encode('{"asset":{"version":"2.0"},"x":"'), 0xff, 0xfe, 0x22, 0x7d]),
      'GLTF_TEXT',
    ],
    ['faulty JSON', encode('{"asset":{"version":"2.0"}'), 'GLTF_JSON'],
    ['no version', encode('{}'), 'GLTF_VERSION'],
    ['glTF 1.0', encode('{"asset":{"version":"1.0"}}'), 'GLTF_VERSION'],
    ['NaN in JSON', encode('{"asset":{"version":"2.0"},"nodes":[{"translation":[NaN,0,0]}]}'), 'GLTF_JSON'],
    ['no binary chunk', packGlb(leg().text()), 'GLTF_BUFFER_MISSING'],
    ['external buffer not there', encode(leg().text('leg.bin')), 'GLTF_BUFFER_MISSING'],
    ['absolute path', encode(leg().text('/etc/hosts')), 'GLTF_BUFFER_URI'],
    ['drive letter', encode(leg().text('C:\\leg.bin')), 'GLTF_BUFFER_URI'],
    ['network address', encode(leg().text('https://example.org/leg.bin')), 'GLTF_BUFFER_URI'],
    ['parent folder', encode(leg().text('../leg.bin')), 'GLTF_BUFFER_URI'],
    ['parent folder in percent code', encode(leg().text('a/%2e%2e/%2E%2E/leg.bin')), 'GLTF_BUFFER_URI'],
    ['parent folder with backslashes', encode(leg().text('a\\..\\..\\leg.bin')), 'GLTF_BUFFER_URI'],
    ['faulty percent code', encode(leg().text('a%zz.bin')), 'GLTF_BUFFER_URI'],
    ['faulty base64', encode(leg().text('data:application/octet-stream;base64,@@@')), 'GLTF_BUFFER_URI'],
  ])('%s', (_title, bytes, code) => {
    const error = faultOf(() => parseContainer(bytes, 'leg.glb'));
    expect(error.code).toBe(code);
    expect(error.place.file).toBe('leg.glb');
    expect(error.hint).toBeTruthy();
  });

  it('never asks for a file outside the folder', () => {
    let asked = 0;
    faultOf(() =>
      parseContainer(encode(leg().text('../leg.bin')), 'leg.gltf', () => {
        asked++;
        return new Uint8Array(1000);
      }),
    );
    expect(asked).toBe(0);
  });

  it('says how many bytes of an external buffer are missing', () => {
    const builder = leg();
    const error = faultOf(() =>
      parseContainer(encode(builder.text('leg.bin')), 'leg.gltf', () => builder.binary().subarray(0, 10)),
    );
    expect(error.code).toBe('GLTF_BUFFER_LENGTH');
    expect(error.place.pointer).toBe('/buffers/0');
    expect(error.message).toContain('10 are there');
  });
});

function packHeaderOnly(): Uint8Array {
  const bytes = new Uint8Array(12);
  const view = new DataView(bytes.buffer);
  view.setUint32(0, 0x46546c67, true);
  view.setUint32(4, 2, true);
  view.setUint32(8, 12, true);
  return bytes;
}

/** Puts a value at a path such as `nodes/1/children`. */
function replace(json: object, path: string, value: unknown): void {
  const keys = path.split('/');
  const last = keys.pop()!;
  let at = json as { [key: string]: unknown };
  for (const key of keys) at = at[key] as typeof at;
  at[last] = value;
}

describe('documents whose indices or ranges are wrong are refused at their JSON pointer', () => {
  it.each<[string, string, unknown, string, string]>([
    ['child out of range', 'nodes/1/children', [9], 'GLTF_INDEX', '/nodes/1/children/0'],
    ['child not a number', 'nodes/1/children', ['0'], 'GLTF_TYPE', '/nodes/1/children/0'],
    ['its own child', 'nodes/1/children', [1], 'GLTF_NODE_CYCLE', '/nodes/1/children/0'],
    ['two nodes in a ring', 'nodes/1/children', [0], 'GLTF_NODE_CYCLE', '/nodes/1/children'],
    ['two parents', 'nodes/2', { children: [1] }, 'GLTF_NODE_PARENTS', '/nodes/2/children/0'],
    ['short translation', 'nodes/1/translation', [1, 2], 'GLTF_TYPE', '/nodes/1/translation'],
    ['text in a rotation', 'nodes/1/rotation', [0, 0, 0, '1'], 'GLTF_TYPE', '/nodes/1/rotation/3'],
    ['short matrix', 'nodes/0/matrix', [1], 'GLTF_TYPE', '/nodes/0/matrix'],
    ['nodes no array', 'nodes', {}, 'GLTF_TYPE', '/nodes'],
    ['node no object', 'nodes/1', null, 'GLTF_TYPE', '/nodes/1'],
    ['mesh out of range', 'nodes/0/mesh', 0, 'GLTF_INDEX', '/nodes/0/mesh'],
    ['skin out of range', 'nodes/0/skin', 4, 'GLTF_INDEX', '/nodes/0/skin'],
    ['scene out of range', 'scene', 3, 'GLTF_INDEX', '/scene'],
    ['scene node out of range', 'scenes/0/nodes', [7], 'GLTF_INDEX', '/scenes/0/nodes/0'],
    ['skin joint out of range', 'skins/0/joints', [0, 5], 'GLTF_INDEX', '/skins/0/joints/1'],
    ['negative skin joint', 'skins/0/joints', [0, -1], 'GLTF_TYPE', '/skins/0/joints/1'],
    ['skin without joints', 'skins/0/joints', [], 'GLTF_COUNT', '/skins/0/joints'],
    ['too few bind matrices', 'skins/0/joints', [0, 1, 1], 'GLTF_COUNT', '/skins/0/inverseBindMatrices'],
    ['buffer out of range', 'bufferViews/0/buffer', 1, 'GLTF_INDEX', '/bufferViews/0/buffer'],
    ['view beyond its buffer', 'bufferViews/0/byteLength', 1e6, 'GLTF_RANGE', '/bufferViews/0'],
    ['accessor beyond its view', 'accessors/0/count', 3, 'GLTF_RANGE', '/accessors/0'],
    ['offset beyond the view', 'accessors/0/byteOffset', 1000, 'GLTF_RANGE', '/accessors/0'],
    ['gigantic count in bytes', 'accessors/0/count', 2 ** 40, 'GLTF_RANGE', '/accessors/0'],
    [
      'gigantic count of zeros',
      'accessors/0',
      { componentType: 5126, type: 'SCALAR', count: 2 ** 40 },
      'GLTF_COUNT',
      '/accessors/0/count',
    ],
    ['count not whole', 'accessors/0/count', 1.5, 'GLTF_TYPE', '/accessors/0/count'],
    ['unknown accessor type', 'accessors/0/type', 'toString', 'GLTF_TYPE', '/accessors/0/type'],
    ['unknown component', 'accessors/0/componentType', 5130, 'GLTF_TYPE', '/accessors/0/componentType'],
    [
      'sparse beyond its view',
      'accessors/0/sparse',
      { count: 2, indices: { bufferView: 1, componentType: 5125, byteOffset: 4 }, values: { bufferView: 0 } },
      'GLTF_RANGE',
      '/accessors/0/sparse/indices',
    ],
    ['sampler out of range', 'animations/0/channels/0/sampler', 2, 'GLTF_INDEX', '/animations/0/channels/0/sampler'],
    [
      'animated node out of range',
      'animations/0/channels/0/target/node',
      8,
      'GLTF_INDEX',
      '/animations/0/channels/0/target/node',
    ],
    [
      'key accessor out of range',
      'animations/0/samplers/0/output',
      99,
      'GLTF_INDEX',
      '/animations/0/samplers/0/output',
    ],
  ])('%s', (_title, path, value, code, pointer) => {
    const builder = leg();
    replace(builder.json, path, value);
    const error = faultOf(() => parseContainer(builder.glb(), 'leg.glb'));
    expect(error.code).toBe(code);
    expect(error.place).toEqual({ file: 'leg.glb', pointer });
    expect(error.hint).toBeTruthy();
  });

  it('refuses a number too large for a float', () => {
    const text = leg().text().replace('-0.4', '1e999');
    const error = faultOf(() => parseContainer(packGlb(text, leg().binary()), 'leg.glb'));
    expect(error.code).toBe('GLTF_TYPE');
    expect(error.place.pointer).toBe('/nodes/1/translation/1');
  });

  it('finds a ring among thousands of nodes without running out of stack', () => {
    const builder = leg();
    const indices = builder.chain(Array.from({ length: 20_000 }, () => ({})));
    builder.json.nodes[indices.at(-1)!]!.children = [indices[0]!];
    expect(faultOf(() => parseContainer(builder.glb(), 'ring.glb')).code).toBe('GLTF_NODE_CYCLE');
  });
});

describe('readContainerFile', () => {
  it('reads a buffer beside the file, and none through a link that leads out of the folder', () => {
    const folder = mkdtempSync(join(tmpdir(), 'rigproof-'));
    const outside = mkdtempSync(join(tmpdir(), 'rigproof-'));
    try {
      const builder = leg();
      writeFileSync(join(folder, 'leg.gltf'), builder.text('leg.bin'));
      writeFileSync(join(outside, 'leg.bin'), builder.binary());
      symlinkSync(join(outside, 'leg.bin'), join(folder, 'leg.bin'));
      expect(faultOf(() => readContainerFile(join(folder, 'leg.gltf'))).code).toBe('GLTF_BUFFER_MISSING');
      rmSync(join(folder, 'leg.bin'));
      writeFileSync(join(folder, 'leg.bin'), builder.binary());
      expect(new Uint8Array(readContainerFile(join(folder, 'leg.gltf')).buffers[0]!)).toEqual(builder.binary());
    } finally {
      rmSync(folder, { recursive: true });
      rmSync(outside, { recursive: true });
    }
  });

  it('says that a file is not there', () => {
    expect(faultOf(() => readContainerFile('no-such-file.glb')).code).toBe('GLTF_OPEN');
  });
});
