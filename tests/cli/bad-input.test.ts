import { readdir, readFile, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { beforeAll, describe, expect, it } from 'vitest';
import { makeSamples } from '../../samples/make.ts';
import { GltfBuilder, packGlb } from '../support/gltf-builder.ts';
import { runProgram } from '../support/program.ts';
import { scratchFolder } from '../support/scratch.ts';

const CLIP = 'night-round.bvh';
const CHARACTER = 'bodge.glb';

const folder = scratchFolder();
const at = (name: string) => join(folder, name);
const utf8 = (text: string) => new TextEncoder().encode(text);

/** The sample clip as text, the sample character as bytes. */
let clip = '';
let character = new Uint8Array();

beforeAll(async () => {
  for (const [name, bytes] of await makeSamples()) await writeFile(at(name), bytes);
  clip = await readFile(at(CLIP), 'utf8');
  character = await readFile(at(CHARACTER));
});

/** A JSON glTF of two joints; `edit` makes the fault. */
function gltf(edit: (json: GltfBuilder['json']) => void): Uint8Array {
  const builder = new GltfBuilder();
  const knee = builder.node({ name: 'knee', translation: [0, -0.4, 0] });
  const hip = builder.node({ name: 'hip', children: [knee] });
  builder.json.skins.push({ joints: [hip, knee] });
  builder.json.scenes.push({ nodes: [hip] });
  edit(builder.json);
  return utf8(JSON.stringify(builder.json));
}

/** First line of the motion: everything up to it is the hierarchy. */
const motionOf = () => clip.indexOf('MOTION');
const buffer = (uri: string) => [{ uri, byteLength: 12 }];

type Fault = [what: string, name: string, bytes: () => Uint8Array, code: string, place: RegExp];

const CLIP_FAULTS: Fault[] = [
  ['empty', 'empty.bvh', () => new Uint8Array(), 'FILE_EMPTY', /empty\.bvh /],
  [
    'truncated in the hierarchy',
    'cut.bvh',
    () => utf8(clip.slice(0, clip.indexOf('CHANNELS 3'))),
    'BVH_TRUNCATED',
    /cut\.bvh:\d+/,
  ],
  ['truncated in a frame', 'cut-frame.bvh', () => utf8(clip.slice(0, motionOf() + 400)), 'BVH_VALUE_COUNT', /:\d+/],
  [
    'binary',
    'binary.bvh',
    () => Uint8Array.from({ length: 900 }, (_, i) => (i * 37) % 256),
    'BVH_NOT_TEXT',
    /binary\.bvh/,
  ],
  ['of another kind', 'notes.txt', () => utf8('Take 3 was the good one.'), 'FILE_KIND', /notes\.txt/],
  ['NaN among its values', 'nan.bvh', () => utf8(firstValueIs('nan')), 'BVH_NOT_FINITE', /nan\.bvh:\d+:\d+/],
  ['a word among its values', 'word.bvh', () => utf8(firstValueIs('12,5')), 'BVH_VALUE', /word\.bvh:\d+:\d+/],
  [
    'a gigantic number of channels',
    'channels.bvh',
    () => utf8(clip.replace(/CHANNELS 6/, 'CHANNELS 999999999')),
    'BVH_CHANNEL_COUNT',
    /channels\.bvh:\d+:\d+/,
  ],
  ['not UTF-8 but UTF-16', 'wide.bvh', () => utf16(clip), 'BVH_ENCODING', /wide\.bvh/],
];

const CHARACTER_FAULTS: Fault[] = [
  ['empty', 'empty.glb', () => new Uint8Array(), 'FILE_EMPTY', /empty\.glb /],
  ['truncated', 'cut.glb', () => character.slice(0, character.length / 2), 'GLTF_TRUNCATED', /cut\.glb/],
  ['truncated in its header', 'header.glb', () => character.slice(0, 9), 'GLTF_TRUNCATED', /header\.glb/],
  [
    'binary',
    'binary.glb',
    () => Uint8Array.from({ length: 900 }, (_, i) => (i * 37) % 256),
    'GLTF_FORM',
    /binary\.glb/,
  ],
  ['cut JSON', 'cut.gltf', () => gltf(() => {}).slice(0, 60), 'GLTF_JSON', /cut\.gltf/],
  [
    'not UTF-8',
    'latin.gltf',
    () => Uint8Array.of(...utf8('{"asset":{"version":"2.0","copyright":"'), 0xe4, ...utf8('"}}')),
    'GLTF_TEXT',
    /latin\.gltf/,
  ],
  [
    'nodes in a cycle',
    'cycle.gltf',
    () =>
      gltf(({ nodes }) => {
        nodes[0]!.children = [1];
      }),
    'GLTF_NODE_CYCLE',
    /cycle\.gltf#\/nodes/,
  ],
  [
    'a missing buffer',
    'buffer.gltf',
    () =>
      gltf((json) => {
        json.buffers = buffer('not-there.bin');
      }),
    'GLTF_BUFFER_MISSING',
    /#\/buffers\/0/,
  ],
  [
    'an absolute buffer URI',
    'absolute.gltf',
    () =>
      gltf((json) => {
        json.buffers = buffer('/etc/hostname');
      }),
    'GLTF_BUFFER_URI',
    /#\/buffers\/0/,
  ],
  [
    'a buffer URI that leads out',
    'out.gltf',
    () =>
      gltf((json) => {
        json.buffers = buffer('../secret.bin');
      }),
    'GLTF_BUFFER_URI',
    /#\/buffers\/0/,
  ],
  [
    'a gigantic accessor',
    'giant.gltf',
    () =>
      gltf((json) => {
        json.accessors = [{ componentType: 5126, count: 4e9, type: 'MAT4' }];
        json.skins[0]!.inverseBindMatrices = 0;
      }),
    'GLTF_COUNT',
    /#\/accessors\/0/,
  ],
  [
    'an index beyond the end',
    'index.gltf',
    () =>
      gltf(({ skins }) => {
        skins[0]!.joints = [0, 7];
      }),
    'GLTF_INDEX',
    /#\/skins\/0\/joints\/1/,
  ],
  [
    'no skeleton',
    'prop.glb',
    () =>
      packGlb(
        JSON.stringify({ asset: { version: '2.0' }, scene: 0, scenes: [{ nodes: [0] }], nodes: [{ name: 'crate' }] }),
      ),
    'GLTF_NO_SKELETON',
    /prop\.glb/,
  ],
];

function firstValueIs(word: string): string {
  return clip.replace(/(Frame Time:\s*\S+\s+)\S+/, `$1${word}`);
}

function utf16(text: string): Uint8Array {
  const bytes = new Uint8Array(2 + text.length * 2);
  bytes.set([0xff, 0xfe]);
  for (let i = 0; i < text.length; i++) bytes[2 + i * 2] = text.charCodeAt(i);
  return bytes;
}

/** One clear error with place and remedy, code 3, no output, nothing left behind. */
async function expectRefusal(args: string[], faultCode: string, place: RegExp): Promise<void> {
  const { code, stdout, stderr } = await runProgram(args, folder);
  expect(stderr).toContain(`  ${faultCode}  `);
  expect(code).toBe(3);
  expect(stdout).toBe('');
  const [first, hint, ...rest] = stderr.trimEnd().split('\n');
  expect(first).toMatch(place);
  expect(hint).toMatch(/^ {2}\S/);
  expect(rest).toEqual([]);
}

describe('a bad file', () => {
  const commands: [string, Fault[], (name: string, output: string) => string[]][] = [
    ['inspect', [...CLIP_FAULTS, ...CHARACTER_FAULTS], (name) => ['inspect', name, '--json']],
    ['retarget, as the clip', CLIP_FAULTS, (name, output) => ['retarget', name, CHARACTER, '-o', `${output}.glb`]],
    ['retarget, as the character', CHARACTER_FAULTS, (name, output) => ['retarget', CLIP, name, '-o', `${output}.glb`]],
    ['prove', CHARACTER_FAULTS, (name) => ['prove', name]],
  ];
  describe.each(commands)('given to %s', (_, faults, argsOf) => {
    it.concurrent.each(faults)('is refused when it is or has: %s', async (_what, name, bytes, code, place) => {
      await writeFile(at(name), bytes());
      await expectRefusal(argsOf(name, `${name}.out`), code, place);
      expect((await readdir(folder)).filter((entry) => /\.out|part/.test(entry))).toEqual([]);
    });
  });

  it('with no joint in common with the other is refused by both reasons', async () => {
    const chain =
      'HIERARCHY\nROOT rope\n{\nOFFSET 0 0 0\nCHANNELS 3 Zrotation Xrotation Yrotation\nEnd Site\n{\nOFFSET 0 1 0\n}\n}\nMOTION\nFrames: 1\nFrame Time: 0.04\n0 0 0\n';
    await writeFile(at('rope.bvh'), chain);
    await expectRefusal(['pair', 'rope.bvh', CHARACTER, '-o', 'rope.map.json'], 'PAIR_NOTHING_SHARED', /rope\.bvh/);
    await expectRefusal(['retarget', 'rope.bvh', CHARACTER, '-o', 'rope.glb'], 'PAIR_NOT_HUMANOID', /rope\.bvh/);
    expect((await readdir(folder)).filter((entry) => /rope\.(map|glb)/.test(entry))).toEqual([]);
  });

  it('does not cost the output of an earlier run', async () => {
    await writeFile(at('precious.glb'), 'from yesterday');
    await writeFile(at('hurt.bvh'), utf8(firstValueIs('nan')));
    await expectRefusal(['retarget', 'hurt.bvh', CHARACTER, '-o', 'precious.glb'], 'BVH_NOT_FINITE', /hurt\.bvh/);
    expect(await readFile(at('precious.glb'), 'utf8')).toBe('from yesterday');
  });

  it('shows where in the program it arose only with --debug', async () => {
    await writeFile(at('debug.bvh'), 'HIERARCHY\nROOT\n');
    const { code, stderr } = await runProgram(['inspect', 'debug.bvh', '--debug'], folder);
    expect(code).toBe(3);
    expect(stderr).toMatch(/BVH_.*\n(.*\n)*\s+at /);
  });
});
