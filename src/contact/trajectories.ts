import { rotateAddVec } from '../math/quat.ts';
import type { Clip } from '../skeleton/clip.ts';
import type { Side } from '../skeleton/side.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';
import type { Vec } from './foot.ts';
import type { FootPoints } from './motion.ts';
import type { Sole } from './sole.ts';

/** Trajectories of heel and ball of both feet, frames × 3 each, in the space of the skeleton. Allocates its result. */
export function footTrajectories(skeleton: Skeleton, clip: Clip, sole: Record<Side, Sole>): Record<Side, FootPoints> {
  const side = ({ joint, heel, ball }: Sole): FootPoints => {
    const [heels, balls] = pointTrajectories(skeleton, clip, joint, [heel, ball]);
    return { heel: heels!, ball: balls! };
  };
  return { left: side(sole.left), right: side(sole.right) };
}

/** Trajectories of points fixed in the frame of one joint, frames × 3 each: forward kinematics of its ancestors only. */
export function pointTrajectories(
  skeleton: Skeleton,
  clip: Clip,
  joint: number,
  points: readonly Vec[],
): Float64Array[] {
  const chain: number[] = [];
  for (let j = joint; j >= 0; j = skeleton.parents[j]!) chain.unshift(j);
  // Where in the clip's translations a joint of the chain is found; -1: it keeps its rest offset.
  const slots = Int16Array.from(chain, (j) => clip.translationJoints.indexOf(j));
  const out = points.map(() => new Float64Array(clip.frameCount * 3));
  const at = Float64Array.from(points.flat());
  const joints = Int16Array.from(chain);
  const rotation = new Float64Array(4);
  const position = new Float64Array(3);
  for (let f = 0; f < clip.frameCount; f++) {
    endOfChain(skeleton, clip, f, joints, slots, rotation, position);
    for (let i = 0; i < out.length; i++) rotateAddVec(out[i]!, f * 3, rotation, 0, at, i * 3, position, 0);
  }
  return out;
}

/**
 * World rotation and position of the last joint of a chain that begins at a root. Tried before: the vector kernels a joint,
 * which took twice the time, since most of a chain's work is to read Float32 and to write what is read again at once.
 */
function endOfChain(
  { restTranslations }: Skeleton,
  { jointCount, rotations, translations, translationJoints }: Clip,
  f: number,
  joints: Int16Array,
  slots: Int16Array,
  rotation: Float64Array,
  position: Float64Array,
): void {
  const row = f * translationJoints.length;
  let x = 0;
  let y = 0;
  let z = 0;
  let w = 1;
  let px = 0;
  let py = 0;
  let pz = 0;
  for (let i = 0; i < joints.length; i++) {
    const j = joints[i]!;
    const slot = slots[i]!;
    const t = slot >= 0 ? (row + slot) * 3 : j * 3;
    const ox = slot >= 0 ? translations[t]! : restTranslations[t]!;
    const oy = slot >= 0 ? translations[t + 1]! : restTranslations[t + 1]!;
    const oz = slot >= 0 ? translations[t + 2]! : restTranslations[t + 2]!;
    const tx = 2 * (y * oz - z * oy);
    const ty = 2 * (z * ox - x * oz);
    const tz = 2 * (x * oy - y * ox);
    px += ox + w * tx + y * tz - z * ty;
    py += oy + w * ty + z * tx - x * tz;
    pz += oz + w * tz + x * ty - y * tx;
    const q = (f * jointCount + j) * 4;
    const bx = rotations[q]!;
    const by = rotations[q + 1]!;
    const bz = rotations[q + 2]!;
    const bw = rotations[q + 3]!;
    const nx = w * bx + x * bw + y * bz - z * by;
    const ny = w * by - x * bz + y * bw + z * bx;
    const nz = w * bz + x * by - y * bx + z * bw;
    w = w * bw - x * bx - y * by - z * bz;
    x = nx;
    y = ny;
    z = nz;
  }
  rotation[0] = x;
  rotation[1] = y;
  rotation[2] = z;
  rotation[3] = w;
  position[0] = px;
  position[1] = py;
  position[2] = pz;
}
