import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { RigproofError } from '../../../src/errors.ts';
import { writeAnimationOnly } from '../../../src/formats/gltf/animation-only.ts';
import type { WrittenGltf } from '../../../src/formats/gltf/append-animation.ts';
import { type GltfContainer, type JsonObject, parseContainer } from '../../../src/formats/gltf/container.ts';
import { documentOf, readNodes } from '../../../src/formats/gltf/nodes.ts';
import { writeAnimatedGlb, writeAnimatedGltf } from '../../../src/formats/gltf/write-animation.ts';
import { swingClip, targetOf } from '../../support/animation-target.ts';
import { GltfBuilder } from '../../support/gltf-builder.ts';

const RIGS = '../shared/data/rigs';
const hasRigs = existsSync(RIGS);
const rigs = hasRigs ? readdirSync(RIGS).filter((name) => /\.(glb|gltf|vrm)$/.test(name)) : [];

const encode = (text: string) => new TextEncoder().encode(text);
const parseGlb = (written: WrittenGltf) => parseContainer(written.bytes, 'written.glb');

/** Three joints, the first a root; extensions, extras and numbers of all kinds that nobody here knows. */
function strangeFile(edit: (json: GltfBuilder['json'] & JsonObject) => void = () => {}): Uint8Array {
  const builder = new GltfBuilder();
  const [root, , tip] = builder.chain([
    { name: 'root', translation: [0, 1, 0], extras: { id: 7 } },
    { name: 'middle', translation: [0, 0.5, 0] },
    { name: 'tip', translation: [0, 0.5, 0] },
  ]);
  builder.scene([root!]);
  builder.skin([root!, root! + 1, tip!]);
  builder.animation('walk', [{ node: root!, path: 'rotation', times: [0, 1], values: [0, 0, 0, 1, 0, 1, 0, 0] }]);
  Object.assign(builder.json, {
    extensionsUsed: ['MADE_up'],
    extensions: {
      MADE_up: { text: 'quote " slash \\ brace } bracket ] end \\', nothing: null, list: [[], {}, [1e-7, -0]] },
    },
    extras: { 'a "key"': true },
  });
  edit(builder.json as GltfBuilder['json'] & JsonObject);
  return builder.glb();
}

/** The document without what the writer adds: compared with the input as parsed. */
function withoutAdded(container: GltfContainer, input: GltfContainer): JsonObject {
  const json = structuredClone(container.json) as JsonObject;
  const before = input.json;
  for (const key of ['animations', 'accessors', 'bufferViews'] as const) {
    const kept = (before[key] as unknown[] | undefined)?.length;
    if (kept === undefined) delete json[key];
    else json[key] = (json[key] as unknown[]).slice(0, kept);
  }
  const [buffer] = json.buffers as { byteLength: number }[];
  const [bufferBefore] = before.buffers as { byteLength: number }[];
  buffer!.byteLength = bufferBefore!.byteLength;
  return json;
}

function expectUntouched(written: WrittenGltf, input: GltfContainer): void {
  const output = parseGlb(written);
  expect(withoutAdded(output, input)).toEqual(input.json);
  const { byteLength } = (input.json.buffers as { byteLength: number }[])[0]!;
  expect(Buffer.compare(output.buffers[0]!.subarray(0, byteLength), input.buffers[0]!.subarray(0, byteLength))).toBe(0);
}

describe('appending an animation', () => {
  it('leaves every other value and byte as it was, unknown extensions and extras included', () => {
    const bytes = strangeFile();
    const before = bytes.slice();
    const input = parseContainer(bytes, 'strange.glb');
    const target = targetOf(input);
    const written = writeAnimatedGlb(target, [swingClip(target.skeleton, 40, 1)]);
    expectUntouched(written, input);
    expect(documentOf(parseGlb(written)).animations!.map(({ name }) => name)).toEqual(['walk', 'swing']);
    expect(bytes).toEqual(before);
  });

  it('keeps the very text: white space, twin keys, and numbers with more digits than a double holds', () => {
    const text = `{ "asset" : {"version":"2.0", "extras": 12345678901234567890.10} ,
      "nodes":[ {"name":"a", "children":[1]}, {"name":"b","translation":[1.0,0,0],"extras":{"x":1,"x":2}}\n], "scene":0,
      "scenes": [ {"nodes":[0]} ] ,"animations": [ ] }`;
    const target = targetOf(parseContainer(encode(text), 'text.gltf'));
    const written = writeAnimatedGltf(target, [swingClip(target.skeleton, 10, 3)], 'text.bin');
    const after = new TextDecoder().decode(written.bytes);
    // What was added stands in one piece inside "animations" and one at the end.
    const inList = after.slice(
      after.indexOf('"animations": [') + '"animations": ['.length,
      after.indexOf('],"accessors"'),
    );
    const list = after.slice(after.indexOf(',"accessors"'), after.lastIndexOf(' }'));
    expect(inList.startsWith('{"name":"swing"')).toBe(true);
    expect(after.replace(list, '').replace(inList.trimEnd(), '')).toBe(text);
    expect(after).toContain('12345678901234567890.10');
  });

  it.each([
    [
      'no buffers, accessors or animations',
      '{"asset":{"version":"2.0"},"nodes":[{"name":"a"}],"scenes":[{"nodes":[0]}],"scene":0}',
    ],
    ['a byte order mark', '\uFEFF{"asset":{"version":"2.0"},"nodes":[{"name":"a"}],"scenes":[{"nodes":[0]}]}\n\n'],
    [
      'empty lists',
      '{"asset":{"version":"2.0"},"nodes":[{"name":"a"}],"scenes":[{"nodes":[0]}],"animations":[],"buffers":[ ]}',
    ],
  ])('serves a file with %s', (_, text) => {
    const target = targetOf(parseContainer(encode(text), 'bare.gltf'));
    const { animations } = documentOf(parseGlb(writeAnimatedGlb(target, [swingClip(target.skeleton, 5, 2)])));
    expect(animations).toHaveLength(1);
  });

  it('numbers names that are taken', () => {
    const target = targetOf(parseContainer(strangeFile(), 'strange.glb'));
    const clip = { ...swingClip(target.skeleton, 5, 1), name: 'walk' };
    const written = writeAnimatedGlb(target, [clip, clip]);
    expect(written.names).toEqual(['walk-2', 'walk-3']);
    expect(documentOf(parseGlb(written)).animations!.map(({ name }) => name)).toEqual(['walk', 'walk-2', 'walk-3']);
  });

  it('writes extras where asked to', () => {
    const target = targetOf(parseContainer(strangeFile(), 'strange.glb'));
    const written = writeAnimatedGlb(target, [swingClip(target.skeleton, 5, 1)], { extras: { source: 'walk.bvh' } });
    expect(documentOf(parseGlb(written)).animations!.at(-1)!.extras).toEqual({ source: 'walk.bvh' });
  });

  it('replaces the matrix of an animated node by the same transform, and leaves other matrices', () => {
    const matrix = [0, 0, -2, 0, 0, 2, 0, 0, 2, 0, 0, 0, 5, 6, 7, 1];
    const bytes = strangeFile((json) => {
      for (const node of json.nodes.slice(0, 2)) {
        delete node.translation;
        node.matrix = matrix;
      }
    });
    const input = parseContainer(bytes, 'matrix.glb');
    const target = targetOf(input);
    const clip = swingClip(target.skeleton, 20, 4);
    // Only the root moves: the middle joint holds node rest and keeps its matrix.
    for (let f = 0; f < clip.frameCount; f++) {
      clip.rotations.set(target.skeleton.restRotations.subarray(4), f * 12 + 4);
    }
    const output = parseGlb(writeAnimatedGlb(target, [clip]));
    const nodes = documentOf(output).nodes!;
    expect(nodes[0]!.matrix).toBeUndefined();
    expect(nodes[1]!.matrix).toEqual(matrix);
    expect(nodes[0]!.extras).toEqual({ id: 7 });
    const [a, b] = [readNodes(input).worlds, readNodes(output).worlds];
    a.forEach((value, i) => {
      expect(b[i]).toBeCloseTo(value, 12);
    });
  });

  it('says so when the matrix of an animated node holds a shear, which cannot be kept', () => {
    const bytes = strangeFile((json) => {
      delete json.nodes[0]!.translation;
      json.nodes[0]!.matrix = [1, 0, 0, 0, 0.5, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1];
    });
    const target = targetOf(parseContainer(bytes, 'sheared.glb'));
    const { notes } = writeAnimatedGlb(target, [swingClip(target.skeleton, 20, 4)]);
    expect(notes.map(({ code, place }) => [code, place?.pointer])).toEqual([['GLTF_MATRIX_SHEAR', '/nodes/0/matrix']]);
  });

  it('never names the new binary file like one that the document has', () => {
    const text = JSON.stringify({
      asset: { version: '2.0' },
      nodes: [{ name: 'a' }],
      scenes: [{ nodes: [0] }],
      buffers: [{ uri: 'my%20walk.bin', byteLength: 1 }],
    });
    const target = targetOf(parseContainer(encode(text), 'walk.gltf', () => Uint8Array.of(1)));
    const written = writeAnimatedGltf(target, [swingClip(target.skeleton, 5, 2)], 'my walk.bin');
    expect(written.binary!.uri).toBe('my walk-2.bin');
    const { buffers } = JSON.parse(new TextDecoder().decode(written.bytes));
    expect(buffers[1].uri).toBe('my%20walk-2.bin');
  });

  it('keeps other chunks of a .glb', () => {
    const target = targetOf({
      ...parseContainer(strangeFile(), 'chunks.glb'),
      otherChunks: [{ type: 0x12345678, bytes: Uint8Array.of(1, 2, 3, 4) }],
    });
    const written = writeAnimatedGlb(target, [swingClip(target.skeleton, 5, 1)]);
    expect(parseGlb(written).otherChunks).toEqual([{ type: 0x12345678, bytes: Uint8Array.of(1, 2, 3, 4) }]);
  });

  it('makes a .gltf with files of its own into a .glb that needs none, and names the images that stay outside', () => {
    const text = JSON.stringify({
      asset: { version: '2.0' },
      nodes: [{ name: 'a' }],
      scenes: [{ nodes: [0] }],
      buffers: [
        { uri: 'first.bin', byteLength: 6, name: 'kept' },
        { name: 'also kept', byteLength: 3, uri: 'second.bin' },
      ],
      images: [{ uri: 'skin.png' }, { uri: 'data:image/png;base64,iVBORw0KGgo=', name: 'inside' }],
    });
    const files: { [uri: string]: Uint8Array } = {
      'first.bin': Uint8Array.of(1, 2, 3, 4, 5, 6),
      'second.bin': Uint8Array.of(7, 8, 9),
    };
    const target = targetOf(parseContainer(encode(text), 'outside.gltf', (uri) => files[uri]));
    const written = writeAnimatedGlb(target, [swingClip(target.skeleton, 5, 2)]);
    const output = parseGlb(written);
    expect(output.buffers[0]!.subarray(0, 8)).toEqual(Uint8Array.of(1, 2, 3, 4, 5, 6, 0, 0));
    expect(output.buffers[1]).toEqual(Uint8Array.of(7, 8, 9));
    const { buffers, images, bufferViews } = documentOf(output);
    expect(buffers!.map(({ name }) => name)).toEqual(['kept', 'also kept']);
    expect(buffers![0]!.uri).toBeUndefined();
    expect(images![1]).toEqual({ bufferView: 1, mimeType: 'image/png', name: 'inside' });
    const { byteOffset, byteLength } = bufferViews![1]!;
    expect(output.buffers[0]!.subarray(byteOffset, byteOffset! + byteLength)).toEqual(
      Uint8Array.of(0x89, 0x50, 0x4e, 0x47, 0x0d, 0x0a, 0x1a, 0x0a),
    );
    expect(written.notes.map(({ code, message }) => [code, message.includes('skin.png')])).toEqual([
      ['GLTF_OUTSIDE_FILES', true],
    ]);
  });

  it('writes a .glb as a .gltf whose binary file starts with the old binary chunk', () => {
    const input = parseContainer(strangeFile(), 'strange.glb');
    const target = targetOf(input);
    const written = writeAnimatedGltf(target, [swingClip(target.skeleton, 5, 2)], 'out.bin');
    const output = parseContainer(written.bytes, 'out.gltf', () => written.binary!.bytes);
    const { byteLength } = documentOf(input).buffers![0]!;
    expect(output.buffers[0]!.subarray(0, byteLength)).toEqual(input.buffers[0]!.subarray(0, byteLength));
    expect(withoutAdded(output, input).buffers).toEqual([{ byteLength, uri: 'out.bin' }]);
  });

  it.each([
    ['GLTF_CLIP_JOINTS', (clip: ReturnType<typeof swingClip>) => ({ ...clip, jointCount: 2 }), {}],
    ['GLTF_CLIP_EMPTY', (clip: ReturnType<typeof swingClip>) => ({ ...clip, frameCount: 0 }), {}],
    ['GLTF_CLIP_EMPTY', (clip: ReturnType<typeof swingClip>) => ({ ...clip, frameDuration: 0 }), {}],
    [
      'GLTF_CLIP_VALUE',
      (clip: ReturnType<typeof swingClip>) => ({ ...clip, rotations: clip.rotations.map(() => Number.NaN) }),
      {},
    ],
    [
      'GLTF_CLIP_VALUE',
      (clip: ReturnType<typeof swingClip>) => ({
        ...clip,
        translations: clip.translations.map(() => Number.POSITIVE_INFINITY),
      }),
      {},
    ],
    ['GLTF_TOLERANCE', (clip: ReturnType<typeof swingClip>) => clip, { rotationTolerance: -1 }],
    ['GLTF_TOLERANCE', (clip: ReturnType<typeof swingClip>) => clip, { translationTolerance: Number.NaN }],
    ['GLTF_TOLERANCE', (clip: ReturnType<typeof swingClip>) => clip, { quantise: 'int16', rotationTolerance: 1e-5 }],
  ] as const)('refuses with %s what it cannot write', (code, spoil, options) => {
    const target = targetOf(parseContainer(strangeFile(), 'strange.glb'));
    const clip = spoil(swingClip(target.skeleton, 5, 1));
    expect(() => writeAnimatedGlb(target, [clip], options)).toThrow(RigproofError);
    try {
      writeAnimatedGlb(target, [clip], options);
    } catch (error) {
      expect((error as RigproofError).code).toBe(code);
    }
  });
});

describe('channels', () => {
  const channelsOf = (written: WrittenGltf) => {
    const { animations, accessors } = documentOf(parseGlb(written));
    const { channels, samplers } = animations!.at(-1)!;
    return channels.map(({ target, sampler }) => ({
      node: target.node,
      path: target.path,
      count: accessors![samplers[sampler]!.output]!.count,
      times: accessors![samplers[sampler]!.input]!,
    }));
  };

  function stillClip() {
    const target = targetOf(parseContainer(strangeFile(), 'strange.glb'));
    const clip = swingClip(target.skeleton, 31, 1, 0.1);
    for (let f = 0; f < clip.frameCount; f++) {
      clip.rotations.set(target.skeleton.restRotations, f * 12);
      clip.translations.set(target.skeleton.restTranslations.subarray(0, 3), f * 3);
    }
    return { target, clip };
  }

  it('that stay at node rest are left out, and one that holds another value gets one key', () => {
    const { target, clip } = stillClip();
    for (let f = 0; f < clip.frameCount; f++) {
      const [sine, cosine] = [Math.sin(f / 10), Math.cos(f / 10)];
      clip.rotations.set([sine, 0, 0, cosine], f * 12);
      clip.rotations.set([0, 0.6, 0, 0.8], f * 12 + 8);
    }
    expect(channelsOf(writeAnimatedGlb(target, [clip])).map(({ node, path }) => [node, path])).toEqual([
      [0, 'rotation'],
      [2, 'rotation'],
    ]);
    expect(channelsOf(writeAnimatedGlb(target, [clip]))[1]!.count).toBe(1);
    expect(channelsOf(writeAnimatedGlb(target, [clip], { keepAllKeys: true })).map(({ count }) => count)).toEqual([
      31, 1,
    ]);
  });

  it('are keyed where the reference pose is not node rest, though the clip holds it', () => {
    const { target, clip } = stillClip();
    // A skeleton whose rest offset differs from its node, as with a bind pose that is not node rest.
    const skeleton = { ...target.skeleton, restTranslations: target.skeleton.restTranslations.slice() };
    skeleton.restTranslations[7] = 0.75;
    const channels = channelsOf(writeAnimatedGlb({ ...target, skeleton }, [clip]));
    expect(channels.map(({ node, path }) => [node, path])).toEqual([[2, 'translation']]);
  });

  it('of a clip that never moves still last as long as the clip', () => {
    const { target, clip } = stillClip();
    for (const options of [{}, { keepAllKeys: true }] as const) {
      const channels = channelsOf(writeAnimatedGlb(target, [clip], options));
      expect(channels).toHaveLength(1);
      expect(channels[0]!.times.max![0]).toBeCloseTo(3, 6);
    }
  });

  it('of a clip that holds a pose away from rest last as long as the clip, and nothing written is unused', async () => {
    const { target, clip } = stillClip();
    for (let f = 0; f < clip.frameCount; f++) {
      clip.rotations.set([0, 0.6, 0, 0.8], f * 12);
      clip.rotations.set([0, 0.6, 0, 0.8], f * 12 + 4);
    }
    const written = writeAnimatedGlb(target, [clip]);
    expect(channelsOf(written).map(({ node, count }) => [node, count])).toEqual([
      [0, 2],
      [1, 1],
    ]);
    const { accessors, animations } = documentOf(parseGlb(written));
    const used = new Set(
      animations!.flatMap(({ samplers }) => samplers.flatMap(({ input, output }) => [input, output])),
    );
    expect(used.size).toBe(accessors!.length);
  });

  it('are the same whichever sign the quaternions of the clip have', () => {
    const target = targetOf(parseContainer(strangeFile(), 'strange.glb'));
    const clip = swingClip(target.skeleton, 50, 5);
    const flipped = { ...clip, rotations: clip.rotations.slice() };
    for (let f = 1; f < clip.frameCount; f += 2) {
      for (let i = f * 12; i < (f + 1) * 12; i++) flipped.rotations[i]! *= -1;
    }
    for (const options of [{}, { keepAllKeys: true }, { quantise: 'int16' }] as const) {
      expect(writeAnimatedGlb(target, [flipped], options)).toEqual(writeAnimatedGlb(target, [clip], options));
    }
  });

  it('share the times of all frames when all keys are kept', () => {
    const target = targetOf(parseContainer(strangeFile(), 'strange.glb'));
    const written = writeAnimatedGlb(target, [swingClip(target.skeleton, 50, 5)], { keepAllKeys: true });
    const inputs = documentOf(parseGlb(written))
      .animations!.at(-1)!
      .samplers.map(({ input }) => input);
    expect(inputs.length).toBeGreaterThan(1);
    expect(new Set(inputs).size).toBe(1);
  });
});

describe('an animation alone', () => {
  it('holds joints and the nodes above them, no mesh, skin, material or older animation', () => {
    const target = targetOf(parseContainer(strangeFile(), 'strange.glb'));
    const document = documentOf(parseGlb(writeAnimationOnly(target, [swingClip(target.skeleton, 20, 1)])));
    expect(Object.keys(document).sort()).toEqual(
      ['accessors', 'animations', 'asset', 'bufferViews', 'buffers', 'nodes', 'scene', 'scenes'].sort(),
    );
    expect(document.nodes!.map(({ name }) => name)).toEqual(['root', 'middle', 'tip']);
    expect(document.animations!.map(({ name }) => name)).toEqual(['swing']);
  });
});

describe.skipIf(!hasRigs)(`appending to real rigs (needs ${RIGS})`, () => {
  it.each(rigs.filter((name) => !name.endsWith('.gltf')))('leaves all else in %s as it was', (name) => {
    const input = parseContainer(new Uint8Array(readFileSync(`${RIGS}/${name}`)), name);
    const target = targetOf(input);
    for (const quantise of ['float32', 'int16'] as const) {
      const clips = [swingClip(target.skeleton, 40, 1), swingClip(target.skeleton, 12, 2)];
      expectUntouched(writeAnimatedGlb(target, clips, { quantise }), input);
    }
  });

  it('leaves a .gltf as it was, but for new entries and the matrix of an animated root', () => {
    const input = parseContainer(new Uint8Array(readFileSync(`${RIGS}/unnamed_man.gltf`)), 'unnamed_man.gltf');
    const target = targetOf(input);
    const written = writeAnimatedGltf(target, [swingClip(target.skeleton, 40, 1)], 'man.bin');
    const output = parseContainer(written.bytes, 'man.gltf', () => written.binary!.bytes);
    const json = withoutAdded(output, input);
    expect((json.buffers as unknown[]).splice(1)).toEqual([
      { byteLength: written.binary!.bytes.length, uri: 'man.bin' },
    ]);
    expect(json).toEqual(input.json);
  });
});
