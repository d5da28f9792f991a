import { RigproofError } from '../../errors.ts';
import { invertQuat, mulQuat, rotateVec, rotateXyz } from '../../math/quat.ts';
import type { Clip } from '../../skeleton/clip.ts';
import { restWorldPose, type Skeleton } from '../../skeleton/skeleton.ts';
import type { BvhChannel } from './bvh-file.ts';

export interface BvhWriteOptions {
  /** Channels a joint to keep, as `BvhTake.channels`. What the motion needs beyond them is added behind them. */
  channels?: readonly (readonly BvhChannel[])[];
}

const DEGREES = 180 / Math.PI;
const POSITIONS: readonly BvhChannel[] = ['Xposition', 'Yposition', 'Zposition'];
const ROTATIONS: readonly BvhChannel[] = ['Xrotation', 'Yrotation', 'Zrotation'];
/** Where the caller gives none. Common practice, no source: an angle past 90° about X, sideways bending, is rare. */
const DEFAULT_ROTATIONS: readonly BvhChannel[] = ['Zrotation', 'Xrotation', 'Yrotation'];
/** Rounds an angle by up to 9e-9 rad, a tenth of what Float32 does. */
const ANGLE_DECIMALS = 6;
/** Of the largest length in the file: as many as tell two Float32 apart. */
const LENGTH_DIGITS = 9;
/** OFFSETs stand once in a file and are Float64: they get that many more. */
const OFFSET_DECIMALS = 4;
/** Below it an angle is written as 0.000000. */
const ZERO_DEGREES = 0.5 * 10 ** -ANGLE_DECIMALS;
/** Sine below which two axes of a joint lie along one line and only the sum of two angles is defined. */
const LOCKED = 1e-6;
/** An End Site that a leaf without a tip is given, of its own offset. */
const END_SITE_SHARE = 0.25;

/**
 * Writes a clip as BVH text, in the skeleton's own space and unit.
 *
 * BVH has no rest rotations: its zero pose is written as the skeleton's rest pose, every joint's axes parallel to the
 * world's. With world rest rotations R a local rotation q becomes R(parent) · q · R(joint)⁻¹, and an offset is turned by
 * R(parent): joint positions stay where they were in every frame. A skeleton without rest rotations is written as it is.
 *
 * Angles have six decimals, lengths nine digits of the longest, OFFSETs thirteen. Roots get position channels, other joints where they
 * move; rotations are Z, X, Y unless `options.channels` says otherwise (an order with one axis twice is not kept). Of
 * the ways to write a rotation the one nearest to the frame before is taken, so that angles do not jump. Tips become
 * End Sites; a leaf without one gets an End Site a quarter of its own offset farther on, since the format asks for one.
 *
 * @throws RigproofError `BVH_JOINT_MISMATCH` when skeleton, clip and channels differ in joint count.
 */
export function writeBvh(skeleton: Skeleton, clip: Clip, options: BvhWriteOptions = {}): string {
  const { jointCount } = skeleton;
  const given = options.channels;
  if (clip.jointCount !== jointCount || (given && given.length !== jointCount)) {
    throw new RigproofError(
      'BVH_JOINT_MISMATCH',
      `Expected a clip${given ? ' and channels' : ''} of ${jointCount} joints, got ${clip.jointCount}${given ? ` and ${given.length}` : ''}.`,
      {},
      { hint: 'Write a clip with the skeleton that it was made for.' },
    );
  }
  const zero = zeroPose(skeleton);
  const tracks = Array.from({ length: jointCount }, (_, j) => jointTrack(skeleton, clip, zero, j, given?.[j]));
  const lengths = [...zero.offsets, ...zero.tips.flatMap(({ offset }) => offset)];
  let longest = 0;
  for (const x of lengths) longest = Math.max(longest, Math.abs(x));
  for (const x of clip.translations) longest = Math.max(longest, Math.abs(x));
  const decimals = longest > 0 ? Math.min(20, Math.max(0, LENGTH_DIGITS - 1 - Math.floor(Math.log10(longest)))) : 0;

  const lines = ['HIERARCHY'];
  writeHierarchy(lines, skeleton, zero, tracks, Math.min(20, decimals + OFFSET_DECIMALS));
  lines.push('MOTION', `Frames: ${clip.frameCount}`, `Frame Time: ${clip.frameDuration}`);
  for (let f = 0; f < clip.frameCount; f++) {
    const values: string[] = [];
    for (const { channels, angles, positions } of tracks) {
      for (const channel of channels) {
        const axis = axisOf(channel);
        values.push(
          isRotation(channel)
            ? fixed(angles[f * 3 + axis]!, ANGLE_DECIMALS)
            : fixed(positions[f * 3 + axis]!, decimals),
        );
      }
    }
    lines.push(values.join(' '));
  }
  return `${lines.join('\n')}\n`;
}

/** A skeleton as BVH can say it: rest rotations folded into offsets. */
interface ZeroPose {
  /** World rest rotations, jointCount × 4. */
  rotations: Float64Array;
  /** World rest rotation of the parent, the identity for a root, jointCount × 4. */
  parentRotations: Float64Array;
  offsets: Float64Array;
  tips: { joint: number; offset: number[]; name?: string }[];
}

function zeroPose(skeleton: Skeleton): ZeroPose {
  const { jointCount, parents, restTranslations } = skeleton;
  const { rotations } = restWorldPose(skeleton);
  const parentRotations = new Float64Array(jointCount * 4);
  const offsets = new Float64Array(jointCount * 3);
  for (let j = 0; j < jointCount; j++) {
    const p = parents[j]!;
    if (p < 0) parentRotations[j * 4 + 3] = 1;
    else parentRotations.set(rotations.subarray(p * 4, p * 4 + 4), j * 4);
    rotateVec(offsets, j * 3, parentRotations, j * 4, restTranslations, j * 3);
  }
  const tips: ZeroPose['tips'] = skeleton.tips.map((tip) => {
    const offset = new Float64Array(3);
    rotateXyz(offset, 0, rotations, tip.joint * 4, ...tip.offset);
    return { ...tip, offset: Array.from(offset) };
  });
  const tipped = new Set(tips.map(({ joint }) => joint));
  let extent = 0;
  for (const x of offsets) extent = Math.max(extent, Math.abs(x));
  for (let j = 0; j < jointCount; j++) {
    if (tipped.has(j) || skeleton.subtreeEnd[j]! > j + 1) continue;
    const own = offsets.subarray(j * 3, j * 3 + 3);
    // A leaf at its parent's place, or a root, has no direction of its own: up by a tenth of the longest offset.
    const isPlain = parents[j]! < 0 || Math.hypot(...own) === 0;
    tips.push({ joint: j, offset: isPlain ? [0, extent * 0.1 || 1, 0] : Array.from(own, (x) => x * END_SITE_SHARE) });
  }
  return { rotations, parentRotations, offsets, tips };
}

/** What is written of one joint: angles in degrees about X, Y, Z and positions, frameCount × 3 each. */
interface JointTrack {
  channels: BvhChannel[];
  angles: Float64Array;
  positions: Float64Array;
}

function jointTrack(
  skeleton: Skeleton,
  clip: Clip,
  zero: ZeroPose,
  j: number,
  given: readonly BvhChannel[] | undefined,
): JointTrack {
  const { frameCount } = clip;
  const isRoot = skeleton.parents[j]! < 0;
  const order = rotationOrder(given);
  const angles = eulerAngles(clip, zero, j, order.map(axisOf));
  const positions = new Float64Array(frameCount * 3);
  const moving = clip.translationJoints.indexOf(j);
  const offset = zero.offsets.subarray(j * 3, j * 3 + 3);
  for (let f = 0; f < frameCount; f++) {
    positions.set(offset, f * 3);
    if (moving < 0) continue;
    const at = (f * clip.translationJoints.length + moving) * 3;
    const [x, y, z] = [clip.translations[at]!, clip.translations[at + 1]!, clip.translations[at + 2]!];
    rotateXyz(positions, f * 3, zero.parentRotations, j * 4, x, y, z);
  }
  if (!given) return { channels: [...(isRoot || moving >= 0 ? POSITIONS : []), ...order], angles, positions };

  const hasTwice = given.filter(isRotation).length > new Set(given.filter(isRotation)).size;
  const channels = hasTwice ? [...given.filter((channel) => !isRotation(channel)), ...order] : [...given];
  for (const channel of [...POSITIONS, ...order]) {
    if (channels.includes(channel)) continue;
    const axis = axisOf(channel);
    for (let at = axis; at < frameCount * 3; at += 3) {
      const isNeeded = isRotation(channel)
        ? Math.abs(angles[at]!) > ZERO_DEGREES
        : Math.fround(positions[at]!) !== Math.fround(offset[axis]!);
      if (!isNeeded) continue;
      channels.push(channel);
      break;
    }
  }
  return { channels, angles, positions };
}

/** The rotation channels given, completed to three different axes; the usual ones where there are none. */
function rotationOrder(given: readonly BvhChannel[] | undefined): BvhChannel[] {
  const own = (given ?? []).filter(isRotation);
  if (own.length === 0 || new Set(own).size < own.length) return [...DEFAULT_ROTATIONS];
  return [...own, ...ROTATIONS.filter((channel) => !own.includes(channel))];
}

/**
 * Angles a₁, a₂, a₃ about three different axes i, j, k of the joint's rotation, degrees, at [frame × 3 + axis].
 *
 * From the half-angle form of the product (decoder.ts), with ε the parity of (i, j, k):
 * w + j = (c₂ + s₂) cos((a₁ + ε a₃)/2), i + ε k = (c₂ + s₂) sin((a₁ + ε a₃)/2), and with minus signs (c₂ - s₂) and
 * (a₁ - ε a₃)/2 (Bernardes & Viollet 2022, PLoS ONE 17(11), e0276302, give this form). Unlike by the matrix, the
 * rotation comes out exactly also near a₂ = ±90°, where a half sum is of no account and is kept from the frame before.
 */
function eulerAngles(clip: Clip, zero: ZeroPose, joint: number, axes: number[]): Float64Array {
  const { frameCount, jointCount, rotations } = clip;
  const [i, j, k] = axes as [number, number, number];
  const parity = (i + 1) % 3 === j ? 1 : -1;
  const angles = new Float64Array(frameCount * 3);
  const back = new Float64Array(4);
  invertQuat(back, 0, zero.rotations, joint * 4);
  const q = new Float64Array(4);
  let [before1, before2, before3] = [0, 0, 0];
  let [sum, difference] = [0, 0];
  for (let f = 0; f < frameCount; f++) {
    for (let n = 0, at = (f * jointCount + joint) * 4; n < 4; n++) q[n] = rotations[at + n]!;
    mulQuat(q, 0, zero.parentRotations, joint * 4, q, 0);
    mulQuat(q, 0, q, 0, back, 0);
    const w = q[3]!;
    const plus = Math.hypot(w + q[j]!, q[i]! + parity * q[k]!);
    const minus = Math.hypot(w - q[j]!, q[i]! - parity * q[k]!);
    if (plus > LOCKED) sum = Math.atan2(q[i]! + parity * q[k]!, w + q[j]!);
    if (minus > LOCKED) difference = Math.atan2(q[i]! - parity * q[k]!, w - q[j]!);
    const a1 = (sum + difference) * DEGREES;
    const a2 = 2 * Math.atan2(plus - minus, plus + minus) * DEGREES;
    const a3 = parity * (sum - difference) * DEGREES;
    // (a₁ + 180, 180 - a₂, a₃ + 180) is the same rotation.
    const near = [nearest(a1, before1), nearest(a2, before2), nearest(a3, before3)] as const;
    const far = [nearest(a1 + 180, before1), nearest(180 - a2, before2), nearest(a3 + 180, before3)] as const;
    const change = ([x, y, z]: readonly [number, number, number]) =>
      Math.abs(x - before1) + Math.abs(y - before2) + Math.abs(z - before3);
    [before1, before2, before3] = change(far) < change(near) ? far : near;
    angles[f * 3 + i] = before1;
    angles[f * 3 + j] = before2;
    angles[f * 3 + k] = before3;
  }
  return angles;
}

/** The angle plus whole turns that is nearest to another, degrees. */
function nearest(angle: number, to: number): number {
  return angle - 360 * Math.round((angle - to) / 360);
}

function writeHierarchy(
  lines: string[],
  skeleton: Skeleton,
  zero: ZeroPose,
  tracks: readonly JointTrack[],
  decimals: number,
): void {
  const tips: ZeroPose['tips'][] = skeleton.names.map(() => []);
  for (const tip of zero.tips) tips[tip.joint]!.push(tip);
  const open: number[] = [];
  const offsetLine = (indent: string, values: ArrayLike<number>) =>
    `${indent}OFFSET ${Array.from(values, (x) => shortened(fixed(x, decimals))).join(' ')}`;
  const close = (until: number) => {
    while (open.length > 0 && skeleton.subtreeEnd[open.at(-1)!]! <= until) {
      open.pop();
      lines.push(`${'\t'.repeat(open.length)}}`);
    }
  };
  for (let j = 0; j < skeleton.jointCount; j++) {
    close(j);
    const indent = '\t'.repeat(open.length);
    lines.push(`${indent}${skeleton.parents[j]! < 0 ? 'ROOT' : 'JOINT'} ${nameOf(skeleton.names[j]!)}`, `${indent}{`);
    lines.push(offsetLine(`${indent}\t`, zero.offsets.subarray(j * 3, j * 3 + 3)));
    const { channels } = tracks[j]!;
    lines.push(`${indent}\tCHANNELS ${[channels.length, ...channels].join(' ')}`);
    for (const { offset, name } of tips[j]!) {
      lines.push(`${indent}\tEnd Site${name ? ` ${nameOf(name)}` : ''}`, `${indent}\t{`);
      lines.push(offsetLine(`${indent}\t\t`, offset), `${indent}\t}`);
    }
    open.push(j);
  }
  close(skeleton.jointCount);
}

/** A name that ends neither its line nor its joint. */
function nameOf(name: string): string {
  return name.replace(/[\r\n{}]+/g, '_').trim();
}

function isRotation(channel: BvhChannel): boolean {
  return channel.endsWith('rotation');
}

/** 0, 1, 2 for X, Y, Z. */
function axisOf(channel: BvhChannel): number {
  return channel.charCodeAt(0) - 88;
}

/** Fixed decimals, without a sign on zero. */
function fixed(value: number, decimals: number): string {
  const text = value.toFixed(decimals);
  return /^-0\.?0*$/.test(text) ? text.slice(1) : text;
}

/** Without the zeros that end a decimal fraction. */
function shortened(text: string): string {
  return text.includes('.') ? text.replace(/\.?0+$/, '') : text;
}
