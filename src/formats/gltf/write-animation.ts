/**
 * Clips to keys, and keys into files. Roads not taken for 49 joints in TypeScript, before a kernel in WebAssembly did it
 * (`key-kernel.ts`; `tests/bench/write.bench.ts` measures the whole):
 * - gathering four or eight joints at a time, so that a cache line is read once: 7.4 ns a rotation against 4 to 6 for
 *   one joint at a time, whose last rotation stays in registers;
 * - joints in turn for 32 frames, then the next 32, so that the clip stays in the first cache: 7.8 ns against 4.9;
 * - one pass over the frames for all joints that hold still: 0.17 ms against 0.06 ms for joint after joint.
 */
import { RigproofError } from '../../errors.ts';
import type { Clip } from '../../skeleton/clip.ts';
import { appendAsGlb, appendAsGltf, type NodeTransform, type WrittenGltf } from './append-animation.ts';
import type { Character } from './character.ts';
import {
  AnimationEncoder,
  ENCODE_DEFAULTS,
  type EncodedAnimation,
  type EncodeOptions,
  type SourceChannel,
} from './encode-animation.ts';
import type { Change } from './gather-rotations.ts';
import { openKeyWork } from './key-kernel.ts';
import { type NodeBinding, toNodeRotation, toNodeTranslation } from './node-binding.ts';
import { documentOf } from './nodes.ts';

/** What of a character the writer needs. */
export type AnimationTarget = Pick<Character, 'name' | 'container' | 'skeleton' | 'binding' | 'nodes'>;

export interface WriteOptions extends Partial<EncodeOptions> {
  /** Any JSON value, written as `extras` of each animation. */
  extras?: unknown;
  /** Joints whose turning would move what has to stand still, with a tolerance of their own where it is tighter. */
  steady?: { joints: readonly number[]; rotationTolerance: number };
}

/**
 * A character with clips added to it, as a self-contained .glb; see `appendAsGlb` for what changes and what does not.
 * The inputs are not touched.
 *
 * @param clips  on the character's skeleton, in the space and unit of its file; each becomes an animation of its name
 * @throws RigproofError `GLTF_CLIP_JOINTS`, `GLTF_CLIP_EMPTY`, `GLTF_CLIP_VALUE`, `GLTF_TOLERANCE`
 */
export function writeAnimatedGlb(
  character: AnimationTarget,
  clips: readonly Clip[],
  options: WriteOptions = {},
): WrittenGltf {
  return writeEncodedGlb(
    character,
    clips.map((clip) => encodeClip(character, clip, options)),
  );
}

/** The same with clips that `encodeClip` has turned into keys before. */
export function writeEncodedGlb(character: AnimationTarget, animations: readonly EncodedAnimation[]): WrittenGltf {
  return appendAsGlb(character.container, animations, matrixNodes(character, animations));
}

/**
 * The same as a .gltf with one new binary file beside it; see `appendAsGltf`.
 * @param binaryUri  plain name of the new file
 */
export function writeAnimatedGltf(
  character: AnimationTarget,
  clips: readonly Clip[],
  binaryUri: string,
  options: WriteOptions = {},
): WrittenGltf {
  const animations = clips.map((clip) => encodeClip(character, clip, options));
  return appendAsGltf(character.container, animations, binaryUri, matrixNodes(character, animations));
}

/**
 * Keys for the nodes that the clip's joints stand for. A joint gets rotation keys if its node's own rotation is not what
 * the clip shows in every frame, and likewise translation keys: a rig whose reference pose is not its node rest pose thus
 * gets constant keys where the clip holds the reference pose. Scales are those of the nodes and get no keys.
 */
export function encodeClip(character: AnimationTarget, clip: Clip, options: WriteOptions = {}): EncodedAnimation {
  const { skeleton, binding, nodes: tree } = character;
  const settings: EncodeOptions = { ...ENCODE_DEFAULTS, ...options };
  const { steady } = options;
  checkClip(character, clip);
  const { frameCount, jointCount, translationJoints } = clip;
  const work = openKeyWork(clip);
  const encoder = new AnimationEncoder(frameCount, clip.frameDuration, settings, work);
  const translations = new Float64Array(frameCount * 3);
  const offset = new Float64Array(3);
  let m = 0;
  for (let j = 0; j < jointCount; j++) {
    const node = binding.nodes[j]!;
    const count = work.holdsStill(j) ? 1 : frameCount;
    checkRotation(character, clip, j, work.gather(j, count, toNode(binding, j)), count);
    encoder.add({
      node,
      path: 'rotation',
      values: count === frameCount ? work.values : work.values.subarray(0, 4),
      rest: tree.rotations,
      restAt: node * 4,
      tolerance: steady?.joints.includes(j)
        ? Math.min(steady.rotationTolerance, settings.rotationTolerance)
        : settings.rotationTolerance,
    });
    const channel: SourceChannel = {
      node,
      path: 'translation',
      values: offset,
      rest: tree.translations,
      restAt: node * 3,
      // One node unit is this many file units at most.
      tolerance: settings.translationTolerance / stretch(binding.above, j * 12),
    };
    if (m < translationJoints.length && translationJoints[m] === j) {
      gatherTranslations(character, clip, m, translations);
      channel.values = translations;
      m++;
    } else {
      toNodeTranslation(binding, j, skeleton.restTranslations, j * 3, offset, 0);
    }
    encoder.add(channel);
  }
  if (m < translationJoints.length) throw misfit(character, clip);
  return encoder.finish(clip.name, options.extras);
}

/** What brings rotations of joint `j` to its node; undefined where both are the same. */
function toNode(binding: NodeBinding, j: number): Change | undefined {
  if (isIdentity(binding.aboveRotations, j * 4) && isIdentity(binding.flips, j * 4)) return undefined;
  return (rotations, at) => toNodeRotation(binding, j, rotations, at, rotations, at);
}

function checkRotation({ name, skeleton }: AnimationTarget, clip: Clip, j: number, done: number, count: number): void {
  if (done === count) return;
  const at = (done * clip.jointCount + j) * 4;
  const squared = clip.rotations.subarray(at, at + 4).reduce((sum, x) => sum + x * x, 0);
  throw badValue(name, skeleton.names[j]!, done, 'a rotation of length', squared);
}

/** Node translations of the joint at place `m` of the clip's moving joints in all frames. */
function gatherTranslations(
  { binding, name, skeleton }: AnimationTarget,
  clip: Clip,
  m: number,
  out: Float64Array,
): void {
  const { translations, translationJoints, frameCount } = clip;
  const j = translationJoints[m]!;
  const stride = translationJoints.length * 3;
  for (let f = 0, from = m * 3, to = 0; f < frameCount; f++, from += stride, to += 3) {
    out[to] = translations[from]!;
    out[to + 1] = translations[from + 1]!;
    out[to + 2] = translations[from + 2]!;
    toNodeTranslation(binding, j, out, to, out, to);
    const sum = out[to]! + out[to + 1]! + out[to + 2]!;
    if (!Number.isFinite(sum)) throw badValue(name, skeleton.names[j]!, f, 'a translation that sums to', sum);
  }
}

/** What has to be written into nodes that have a matrix and are animated. */
function matrixNodes(character: AnimationTarget, animations: readonly EncodedAnimation[]): NodeTransform[] {
  const { nodes = [] } = documentOf(character.container);
  if (!nodes.some(({ matrix }) => matrix !== undefined)) return [];
  const animated = new Set(animations.flatMap(({ channels }) => channels.map(({ node }) => node)));
  const tree = character.nodes;
  return [...animated]
    .filter((node) => nodes[node]!.matrix !== undefined)
    .sort((a, b) => a - b)
    .map((node) => ({
      node,
      isSheared: isSheared(tree.linears, node * 12),
      translation: Array.from(tree.translations.subarray(node * 3, node * 3 + 3)),
      rotation: Array.from(tree.rotations.subarray(node * 4, node * 4 + 4)),
      scale: Array.from(tree.scales.subarray(node * 3, node * 3 + 3)),
    }));
}

/**
 * The factor by which the linear part of an affine stretches at most. Exact for columns at right angles (scales along
 * the axes, turned at will); with shear the Frobenius norm, which is never smaller.
 */
function stretch(affine: Float64Array, at: number): number {
  // Of columns a, b, c: squares and products.
  const product = (p: number, q: number) =>
    affine[at + p]! * affine[at + q]! +
    affine[at + 4 + p]! * affine[at + 4 + q]! +
    affine[at + 8 + p]! * affine[at + 8 + q]!;
  const a = product(0, 0);
  const b = product(1, 1);
  const c = product(2, 2);
  const largest = Math.max(a, b, c);
  const skew = Math.max(Math.abs(product(0, 1)), Math.abs(product(0, 2)), Math.abs(product(1, 2)));
  return Math.sqrt(skew <= 1e-6 * largest ? largest : a + b + c);
}

/** Whether a linear part is more than a scale along the axes. */
function isSheared(linears: Float64Array, at: number): boolean {
  const entries = [...linears.subarray(at, at + 12)];
  const largest = Math.max(...entries.map(Math.abs));
  return entries.some((value, k) => k % 4 < 3 && k % 5 !== 0 && Math.abs(value) > 1e-5 * largest);
}

function isIdentity(q: Float64Array, i: number): boolean {
  return q[i] === 0 && q[i + 1] === 0 && q[i + 2] === 0 && Math.abs(q[i + 3]!) === 1;
}

function checkClip(character: AnimationTarget, clip: Clip): void {
  if (clip.jointCount !== character.skeleton.jointCount) throw misfit(character, clip);
  if (clip.frameCount === 0 || !(clip.frameDuration > 0) || !Number.isFinite(clip.frameDuration)) {
    throw new RigproofError(
      'GLTF_CLIP_EMPTY',
      `Clip "${clip.name}" has ${clip.frameCount} frames of ${clip.frameDuration} s; expected at least one, and a duration above 0.`,
      { file: character.name },
      { hint: 'Choose a clip that holds motion.' },
    );
  }
}

function misfit(character: AnimationTarget, clip: Clip): RigproofError {
  return new RigproofError(
    'GLTF_CLIP_JOINTS',
    `Clip "${clip.name}" is for ${clip.jointCount} joints; the character has ${character.skeleton.jointCount}.`,
    { file: character.name },
    { hint: 'Retarget the clip onto this character first.' },
  );
}

function badValue(file: string, joint: string, frame: number, what: string, value: number): RigproofError {
  return new RigproofError(
    'GLTF_CLIP_VALUE',
    `The motion has ${what} ${value} there; nothing was written.`,
    { file, joint, frame },
    { hint: 'Look at that frame of the source clip: a value there is no number, or the pose cannot be solved.' },
  );
}
