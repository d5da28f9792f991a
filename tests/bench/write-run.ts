/** Prints the table of `write.bench.ts`. */
import { existsSync, readFileSync } from 'node:fs';
import { type Animation, type AnimationChannel, type Document, NodeIO } from '@gltf-transform/core';
import { ALL_EXTENSIONS } from '@gltf-transform/extensions';
import type { Character } from '../../src/formats/gltf/character.ts';
import { parseContainer } from '../../src/formats/gltf/container.ts';
import { toNodeRotation, toNodeTranslation } from '../../src/formats/gltf/node-binding.ts';
import { documentOf } from '../../src/formats/gltf/nodes.ts';
import { encodeClip, type WriteOptions, writeAnimatedGlb } from '../../src/formats/gltf/write-animation.ts';
import { totalLength } from '../../src/formats/pieces.ts';
import type { Clip } from '../../src/skeleton/clip.ts';
import { realJob } from '../support/real-job.ts';
import { rigPath } from '../support/rigs.ts';
import { machine, measure, table } from './measure.ts';

const RIG = 'man_casual.glb';
const CLIPS = ['zup_zombie_walk.bvh', 'cmu_walk.bvh', 'figure8_walk.bvh'];
const hasData = existsSync(rigPath(RIG));

interface Track {
  node: number;
  path: 'rotation' | 'translation';
  track: Float32Array;
}

/**
 * Node rotations and translations a joint, as a caller of a glTF library hands them over, of those channels that our
 * writer keeps as well: both write the same.
 */
function sameTracks({ binding }: Character, clip: Clip, kept: readonly Omit<Track, 'track'>[]): Track[] {
  const { frameCount, jointCount, translationJoints } = clip;
  return kept.map(({ node, path }) => {
    const j = binding.nodes.indexOf(node);
    if (path === 'rotation') {
      const track = new Float32Array(frameCount * 4);
      const q = new Float64Array(4);
      for (let f = 0; f < frameCount; f++) {
        for (let k = 0; k < 4; k++) q[k] = clip.rotations[(f * jointCount + j) * 4 + k]!;
        toNodeRotation(binding, j, q, 0, q, 0);
        track.set(q, f * 4);
      }
      return { node, path, track };
    }
    const track = new Float32Array(frameCount * 3);
    const moving = translationJoints.length;
    const m = translationJoints.indexOf(j);
    const v = new Float64Array(3);
    for (let f = 0; f < frameCount; f++) {
      for (let k = 0; k < 3; k++) v[k] = clip.translations[(f * moving + m) * 3 + k]!;
      toNodeTranslation(binding, j, v, 0, v, 0);
      track.set(v, f * 3);
    }
    return { node, path, track };
  });
}

function buildWithLibrary(document: Document, tracks: readonly Track[], times: Float32Array, name: string): Animation {
  const buffer = document.getRoot().listBuffers()[0]!;
  const nodes = document.getRoot().listNodes();
  const animation = document.createAnimation(name);
  const input = document.createAccessor().setType('SCALAR').setArray(times).setBuffer(buffer);
  for (const { node, path, track } of tracks) {
    const output = document
      .createAccessor()
      .setType(path === 'rotation' ? 'VEC4' : 'VEC3')
      .setArray(track)
      .setBuffer(buffer);
    const sampler = document.createAnimationSampler().setInput(input).setOutput(output);
    const channel: AnimationChannel = document
      .createAnimationChannel()
      .setTargetNode(nodes[node]!)
      .setTargetPath(path)
      .setSampler(sampler);
    animation.addSampler(sampler).addChannel(channel);
  }
  return animation;
}

function disposeOf(animation: Animation): void {
  for (const sampler of animation.listSamplers()) {
    sampler.getOutput()?.dispose();
    sampler.getInput()?.dispose();
    sampler.dispose();
  }
  for (const channel of animation.listChannels()) channel.dispose();
  animation.dispose();
}

const perSecond = (frames: number, ms: number) => Math.round((frames / ms) * 1000).toLocaleString('en');

async function report(): Promise<string> {
  const out: string[] = [];
  const rows: string[][] = [];
  for (const clipName of CLIPS) {
    const { character, clip, metresPerUnit } = realJob(clipName, RIG);
    const { frameCount } = clip;
    const translationTolerance = 1e-4 / metresPerUnit;
    const variants: [string, WriteOptions][] = [
      ['all keys', { keepAllKeys: true }],
      ['all keys, int16', { keepAllKeys: true, quantise: 'int16' }],
      ['reduced', { translationTolerance }],
      ['reduced, int16', { translationTolerance, quantise: 'int16' }],
    ];
    const io = new NodeIO().registerExtensions(ALL_EXTENSIONS);
    const document = await io.readBinary(new Uint8Array(readFileSync(rigPath(RIG))));
    document.setLogger({ debug() {}, info() {}, warn() {}, error() {} });
    const kept = encodeClip(character, clip, { keepAllKeys: true }).channels;
    const tracks = sameTracks(character, clip, kept);
    const times = Float32Array.from({ length: frameCount }, (_, f) => f * clip.frameDuration);
    let animation: Animation | undefined;
    const write = async (ready: readonly Track[]) => {
      animation = buildWithLibrary(document, ready, times, clip.name);
      return (await io.writeBinary(document)).length;
    };
    const after = () => disposeOf(animation!);
    const measured = await measure([
      { name: '@gltf-transform, all keys, from the clip', work: () => write(sameTracks(character, clip, kept)), after },
      { name: '@gltf-transform, all keys, from tracks laid out before', work: () => write(tracks), after },
      ...variants.map(([name, options]) => ({
        name,
        work: () => totalLength(writeAnimatedGlb(character, [clip], options).pieces),
      })),
      {
        name: 'all keys, int16, copied into one array',
        work: () => writeAnimatedGlb(character, [clip], { keepAllKeys: true, quantise: 'int16' }).bytes.length,
      },
      ...variants.map(([name, options]) => ({
        name: `${name}, keys only`,
        work: () => encodeClip(character, clip, options).bytes.length,
      })),
    ]);
    const baseline = measured[0]!;
    for (const { name, median, min, sd } of measured) {
      const options = variants.find(([variant]) => name === variant)?.[1];
      const added = options && writeAnimatedGlb(character, [clip], options).added;
      rows.push([
        clipName,
        `${frameCount}`,
        name,
        `${median.toFixed(2)} (${min.toFixed(2)}, ${sd.toFixed(2)})`,
        `${(baseline.median / median).toFixed(1)}x, ${(baseline.min / min).toFixed(1)}x`,
        `${perSecond(frameCount, median)}, ${perSecond(frameCount, min)}`,
        added ? (added.binary / frameCount).toFixed(1) : '',
        added ? (added.json / frameCount).toFixed(1) : '',
      ]);
    }
    const { channels } = documentOf(parseContainer(writeAnimatedGlb(character, [clip]).bytes, RIG)).animations!.at(-1)!;
    out.push(
      `${clipName}: ${frameCount} frames, ${clip.jointCount} joints, ${clip.translationJoints.length} of them move; ` +
        `${channels.length} channels written`,
    );
  }
  const head = [
    'clip',
    'frames',
    'row',
    'ms: median (min, sd)',
    'ratio, of minima',
    'frames/s, of minima',
    'binary B/frame',
    'JSON B/frame',
  ];
  return [`onto ${RIG}; ${machine()}`, ...out, table(head, rows)].join('\n');
}

process.stdout.write(hasData ? `${await report()}\n` : 'writing onto a rig of 49 joints: needs ../shared/data\n');
