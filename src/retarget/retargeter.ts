import {
  copyQuat,
  mulInverseQuat,
  mulQuat,
  rotateAddVec,
  rotateVec,
  rotateVecInverse,
  slerpQuatBy,
} from '../math/quat.ts';
import { createTwoBoneScratch, solveTwoBone } from '../math/two-bone.ts';
import { copyVec, subVec } from '../math/vec.ts';
import { type Clip, createClip } from '../skeleton/clip.ts';
import type { LimbTargets } from './limb-targets.ts';
import { type LimbPlan, REST, type RetargetPlan, TWISTED } from './plan.ts';
import { type RetargetPart, type WorkLists, workLists } from './work-lists.ts';

// Ways tried, and what a frame of a captured walk onto a rig of 49 joints cost: µs, least of 1500 runs of 100 frames, not the
// first retargeter of its process; bundled, Node 20, 2-core Xeon. First figure: a walk that moves no fingers; second: one
// that does.
//   3.8 / 4.7  each joint settled twice (before the limbs and after), joints at rest written in every frame.
//   2.5 / 3.4  joints at rest down to their ends left out, the rest settled once, source positions only where needed,
//              kernels that read and write clips without a detour through scratch, blends that fingers share made once.
//   2.4 / 3.3  a loop a step instead of a function a joint; one sine less a blend.
//   2.0 / 2.9  limbs in plain numbers instead of vector kernels: most were too deep to be inlined, and a number handed to or
//              from a call that is not inlined is boxed (280 bytes a frame, 790 with targets; now none).
//   1.9 / 2.7  methods on an object instead of closures: the engine bakes what a closure captures into its first instance
//              only (1.6; from the second on 2.0), while the fields of an object keep their type.
//   0 to 7 % less  blends as the normalised weighted sum of any number of joints, in plain numbers, in place of a slerp of two;
//              with kernels on scratch memory that `fill` clears it took 1 to 3 % more.
// Whole clips are run by WebAssembly (frame-kernel.ts): with all ends held 2.3 to 2.4 µs a frame beside 3.7 to 4.0 here, and
// 3.0 beside 4.8 where fingers move, on a busy EPYC; in a batch, where code is new, it took 17 % of the processor time of converting.
// In a test runner that turns each imported name into a look-up the same loop takes 1.7 times as long.

/** Share of a limb's length from which a longer reach is softened, so that knee and elbow never snap straight. */
const SOFT_REACH = 0.98;

/**
 * A goal nearer than this to where the limb already ends is met: share of the limb's length. Near the straight limb the
 * law of cosines turns an error e of the distance into √2e of bend: Float32 rounding (3e-7 down a limb) into 0.05 degree.
 * A limb with a target of its own is solved in every frame, so that it does not change planes between frames.
 */
const MET = 1e-5;

/** Runs one plan. It owns scratch memory: one for each thread of work; the plan itself is shared. */
export interface Retargeter {
  readonly plan: RetargetPlan;
  /**
   * World rotations and positions of the target after the last `frame` or `pose`, xyzw and xyz. Joints that keep their rest
   * pose down to all their ends, and those that the part does not need, are left out (NaN): `framePose` of the clip that is
   * written tells them.
   */
  readonly worldRotations: Float64Array;
  readonly worldPositions: Float64Array;
  /**
   * Retargets frame `f` of `src` into frame `k` of `out` (made by `createTargetClip`). With `targets`, limb ends go
   * where frame `f` of it says. Neither checks nor allocates.
   */
  frame(src: Clip, f: number, out: Clip, k: number, targets?: LimbTargets): void;
  /** The same without a clip: the world pose alone. */
  pose(src: Clip, f: number, targets?: LimbTargets): void;
}

/** A clip for a plan's target. It holds the joints that never move; the others are zero until a frame is written. */
export function createTargetClip(plan: RetargetPlan, name: string, frameCount: number, frameDuration: number): Clip {
  const { jointCount, restRotations } = plan.target.skeleton;
  const clip = createClip(name, frameCount, frameDuration, jointCount, plan.translationJoints);
  const { rotations } = clip;
  const size = jointCount * 4;
  if (frameCount === 0) return clip;
  for (const j of workLists(plan).still) rotations.set(restRotations.subarray(j * 4, j * 4 + 4), j * 4);
  for (let filled = size; filled < rotations.length; filled *= 2) rotations.copyWithin(filled, 0, filled);
  return clip;
}

/** With a part, frames are written over those of a clip that holds the rest: joints that the part changes, no others. */
export function createRetargeter(plan: RetargetPlan, part: RetargetPart = 'all'): Retargeter {
  return new FrameLoop(plan, part);
}

/** Scratch memory and the steps of a frame. Each method takes the fields it needs into locals first. */
class FrameLoop implements Retargeter {
  /**
   * The first one stays for good, and with it the hidden class of all, which is what their compiled code is made for: where
   * memory was collected between two of them, the next one was compiled anew (17 times in a batch of 69 jobs).
   */
  static first: FrameLoop | undefined;
  readonly plan: RetargetPlan;
  readonly worldRotations: Float64Array;
  readonly worldPositions: Float64Array;
  private readonly srcParents: Int16Array;
  private readonly dstParents: Int16Array;
  private readonly srcCount: number;
  private readonly dstCount: number;
  private readonly limbEnds: Float64Array;
  private readonly hinges: Float64Array;
  private readonly lists: WorkLists;
  private readonly srcTranslations: Float64Array;
  private readonly srcRotations: Float64Array;
  private readonly srcPositions: Float64Array;
  private readonly quatA = new Float64Array(4);
  private readonly quatB = new Float64Array(4);
  private readonly vec = new Float64Array(3);
  private readonly goal = new Float64Array(3);
  private readonly hinge = new Float64Array(3);
  private readonly turns = new Float64Array(8);
  private readonly scratch = createTwoBoneScratch();

  constructor(plan: RetargetPlan, part: RetargetPart) {
    FrameLoop.first ??= this;
    this.plan = plan;
    const { source, target, dstHips, restRotations } = plan;
    this.lists = workLists(plan, part);
    this.srcParents = source.skeleton.parents;
    this.dstParents = target.skeleton.parents;
    this.srcCount = source.skeleton.jointCount;
    this.dstCount = target.skeleton.jointCount;
    this.limbEnds = target.alignment.limbEnds;
    this.hinges = target.alignment.hinges;
    this.srcTranslations = source.skeleton.restTranslations.slice();
    this.srcRotations = new Float64Array(this.srcCount * 4);
    this.srcPositions = new Float64Array(this.srcCount * 3);
    this.worldRotations = new Float64Array(this.dstCount * 4).fill(Number.NaN);
    // One extra point a limb: the end of a limb that has no joint there.
    this.worldPositions = new Float64Array((this.dstCount + 4) * 3).fill(Number.NaN);
    // Hips that nothing turns stay as they are.
    copyQuat(this.worldRotations, dstHips * 4, restRotations, dstHips * 4);
  }

  frame(src: Clip, f: number, out: Clip, k: number, targets?: LimbTargets): void {
    this.pose(src, f, targets);
    this.writeLocals(out, k);
  }

  pose(src: Clip, f: number, targets?: LimbTargets): void {
    this.readSource(src, f);
    this.transferRotations();
    this.placeHips(targets?.rootShifts, f * 3);
    this.settle(this.lists.before);
    for (let i = 0; i < this.lists.limbs.length; i++) this.solveLimb(i, targets, f);
  }

  private readSource(src: Clip, f: number): void {
    const { srcParents, srcTranslations, srcRotations, srcPositions, srcCount } = this;
    const { srcTurned, srcPlaced } = this.lists;
    const { translationJoints, translations } = src;
    const moving = translationJoints.length;
    for (let m = 0, at = f * moving * 3; m < moving; m++, at += 3) {
      const j = translationJoints[m]! * 3;
      srcTranslations[j] = translations[at]!;
      srcTranslations[j + 1] = translations[at + 1]!;
      srcTranslations[j + 2] = translations[at + 2]!;
    }
    const from = src.rotations;
    const base = f * srcCount * 4;
    for (let i = 0; i < srcTurned.length; i++) {
      const j = srcTurned[i]!;
      readRotation(srcRotations, j * 4, srcParents[j]! * 4, from, base + j * 4);
    }
    for (let i = 0; i < srcPlaced.length; i++) {
      const j = srcPlaced[i]!;
      const p = srcParents[j]!;
      if (p < 0) copyVec(srcPositions, j * 3, srcTranslations, j * 3);
      else rotateAddVec(srcPositions, j * 3, srcRotations, p * 4, srcTranslations, j * 3, srcPositions, p * 3);
    }
  }

  /** World rotations of everything that the source turns. */
  private transferRotations(): void {
    const { srcRotations, worldRotations: rotations, quatA } = this;
    const { driven, blended, isNewBlend } = this.lists;
    const { driverStarts, driverJoints, offsets } = this.plan;
    for (let i = 0; i < driven.length; i++) {
      const j = driven[i]!;
      mulQuat(rotations, j * 4, srcRotations, driverJoints[driverStarts[j]!]! * 4, offsets, j * 4);
    }
    for (let i = 0; i < blended.length; i++) {
      const j = blended[i]!;
      // Fingers often share a blend: the one before is still in `quatA`.
      if (isNewBlend[i]) this.blend(driverStarts[j]!, driverStarts[j + 1]!);
      mulQuat(rotations, j * 4, quatA, 0, offsets, j * 4);
    }
  }

  /** The weighted mean of what drivers turn by, into `quatA`. */
  private blend(first: number, end: number): void {
    const { srcRotations, quatA, quatB } = this;
    const { driverJoints, driverWeights, srcUndo } = this.plan;
    let x = 0;
    let y = 0;
    let z = 0;
    let w = 0;
    for (let d = first; d < end; d++) {
      const s = driverJoints[d]! * 4;
      mulQuat(quatB, 0, srcRotations, s, srcUndo, s);
      // Of the two quaternions of a rotation the one that is nearer to the others.
      const isOpposite = x * quatB[0]! + y * quatB[1]! + z * quatB[2]! + w * quatB[3]! < 0;
      const weight = isOpposite ? -driverWeights[d]! : driverWeights[d]!;
      x += weight * quatB[0]!;
      y += weight * quatB[1]!;
      z += weight * quatB[2]!;
      w += weight * quatB[3]!;
    }
    const k = 1 / Math.sqrt(x * x + y * y + z * z + w * w);
    quatA[0] = k * x;
    quatA[1] = k * y;
    quatA[2] = k * z;
    quatA[3] = k * w;
  }

  /** Pelvis: the performer's, scaled about the floor; then the hips joint from it. */
  private placeHips(shift: Float64Array | undefined, at: number): void {
    const { srcPositions, worldRotations: rotations, worldPositions: positions, vec, plan } = this;
    const { dstHips, srcPelvis, scale, pelvisOffset } = plan;
    let x = 0;
    let y = 0;
    let z = 0;
    for (let i = 0; i < srcPelvis.length; i++) {
      const p = srcPelvis[i]! * 3;
      x += srcPositions[p]!;
      y += srcPositions[p + 1]!;
      z += srcPositions[p + 2]!;
    }
    const k = scale / srcPelvis.length;
    rotateVec(vec, 0, rotations, dstHips * 4, pelvisOffset, 0);
    const h = dstHips * 3;
    positions[h] = x * k - vec[0]!;
    positions[h + 1] = plan.dstGround + y * k - scale * plan.srcGround - vec[1]!;
    positions[h + 2] = z * k - vec[2]!;
    if (shift) {
      positions[h]! += shift[at]!;
      positions[h + 1]! += shift[at + 1]!;
      positions[h + 2]! += shift[at + 2]!;
    }
  }

  /** Rotations of joints that are not driven, and the positions of all, from their parents in the solve tree. */
  private settle(list: Int16Array): void {
    const { worldRotations: rotations, worldPositions: positions } = this;
    const { solveParents, kinds, restRotations, restOffsets, dstHips } = this.plan;
    for (let i = 0; i < list.length; i++) {
      const j = list[i]!;
      const p = solveParents[j]!;
      const kind = kinds[j]!;
      if (p >= 0) {
        if (kind === REST) mulQuat(rotations, j * 4, rotations, p * 4, restRotations, j * 4);
        else if (kind === TWISTED) this.twist(j);
        rotateAddVec(positions, j * 3, rotations, p * 4, restOffsets, j * 3, positions, p * 3);
      } else if (j !== dstHips) {
        if (kind === REST) copyQuat(rotations, j * 4, restRotations, j * 4);
        copyVec(positions, j * 3, restOffsets, j * 3);
      }
    }
  }

  private twist(j: number): void {
    const { worldRotations: rotations, quatA, quatB, plan } = this;
    const { restRotations } = plan;
    const { inner, outer, carrier, undo, axis, share } = plan.twists[plan.twistOf[j]!]!;
    mulInverseQuat(quatA, 0, rotations, inner * 4, rotations, outer * 4);
    // Along an upper segment the twist is seen in its own frame, along a lower one in the frame it grows from.
    if (outer === carrier) mulQuat(quatA, 0, undo, 0, quatA, 0);
    else mulQuat(quatA, 0, quatA, 0, undo, 0);
    // As `twistOf` in math/quat.ts has it, written out because numbers handed to and from a call are boxed.
    const along = quatA[0]! * axis[0]! + quatA[1]! * axis[1]! + quatA[2]! * axis[2]!;
    const w = quatA[3]!;
    const isTwisted = along * along + w * w >= 1e-18;
    const angle = isTwisted ? share * Math.atan2(w < 0 ? -along : along, Math.abs(w)) : 0;
    const s = Math.sin(angle);
    quatB[0] = axis[0]! * s;
    quatB[1] = axis[1]! * s;
    quatB[2] = axis[2]! * s;
    quatB[3] = Math.cos(angle);
    mulQuat(quatB, 0, rotations, carrier * 4, quatB, 0);
    mulQuat(rotations, j * 4, quatB, 0, restRotations, j * 4);
  }

  private sourceEnd(limb: LimbPlan): void {
    const { srcRotations, srcPositions, vec } = this;
    const { source } = this.plan;
    if (limb.srcEnd >= 0) {
      copyVec(vec, 0, srcPositions, limb.srcEnd * 3);
    } else {
      const lower = limb.srcLower;
      rotateAddVec(vec, 0, srcRotations, lower * 4, source.alignment.limbEnds, limb.limb * 3, srcPositions, lower * 3);
    }
  }

  private solveLimb(i: number, targets: LimbTargets | undefined, f: number): void {
    const { limbEnds, worldRotations: rotations, worldPositions: positions, dstCount } = this;
    const { limbs, turnsEnd, below, belowToes } = this.lists;
    const limb = limbs[i]!;
    const { dstUpper, dstLower, dstEnd } = limb;
    const root = dstUpper * 3;
    const middle = dstLower * 3;
    let end = dstEnd * 3;
    if (dstEnd < 0) {
      end = (dstCount + limb.limb) * 3;
      rotateAddVec(positions, end, rotations, dstLower * 4, limbEnds, limb.limb * 3, positions, middle);
    }
    const at = f * 4 + limb.limb;
    if (limb.reach > 0 || (targets && targets.positionWeights[at]! > 0))
      this.lead(limb, root, middle, end, targets, at);
    if (targets && dstEnd >= 0 && turnsEnd[i] === 1 && targets.rotationWeights[at]! > 0)
      this.turnEnd(limb, targets, at);
    this.settle(below[i]!);
    if (dstEnd < 0) rotateAddVec(positions, end, rotations, dstLower * 4, limbEnds, limb.limb * 3, positions, middle);
    if (targets && limb.dstToes >= 0) this.turnToes(limb, belowToes[i]!, targets, f);
  }

  /** Brings the end of a limb to where the performer's is, and to its target. Turns upper and lower joint only. */
  private lead(
    limb: LimbPlan,
    root: number,
    middle: number,
    end: number,
    targets: LimbTargets | undefined,
    at: number,
  ): void {
    const {
      hinges,
      srcPositions,
      worldRotations: rotations,
      worldPositions: positions,
      vec,
      goal,
      hinge,
      turns,
      scratch,
    } = this;
    const { dstUpper, dstLower, srcUpper, reach, ratio, length, folded, shortest } = limb;
    const rx = positions[root]!;
    const ry = positions[root + 1]!;
    const rz = positions[root + 2]!;
    const ex = positions[end]!;
    const ey = positions[end + 1]!;
    const ez = positions[end + 2]!;
    const natural = Math.sqrt((ex - rx) * (ex - rx) + (ey - ry) * (ey - ry) + (ez - rz) * (ez - rz));
    let x = ex;
    let y = ey;
    let z = ez;
    if (reach > 0) {
      this.sourceEnd(limb);
      x += reach * (rx + ratio * (vec[0]! - srcPositions[srcUpper * 3]!) - x);
      y += reach * (ry + ratio * (vec[1]! - srcPositions[srcUpper * 3 + 1]!) - y);
      z += reach * (rz + ratio * (vec[2]! - srcPositions[srcUpper * 3 + 2]!) - z);
      // A limb with segments of unequal length closes like a pocket knife before its end is as near to its root as the
      // performer's. From where it would fold further than limbs do, and than the performer's does, it is pushed out: its
      // distance nears the middle between there and the closed limb as e^−x. A target is met however it folds the limb.
      const least = Math.min(natural, folded);
      const short = Math.sqrt((x - rx) * (x - rx) + (y - ry) * (y - ry) + (z - rz) * (z - rz));
      if (short < least && short > 0) {
        const left = (least - shortest) / 2;
        const k = (left > 1e-9 ? least - left * (1 - Math.exp((short - least) / left)) : least) / short;
        x = rx + k * (x - rx);
        y = ry + k * (y - ry);
        z = rz + k * (z - rz);
      }
    }
    const held = targets ? targets.positionWeights[at]! : 0;
    if (held > 0) {
      const places = targets!.positions;
      x += held * (places[at * 3]! - x);
      y += held * (places[at * 3 + 1]! - y);
      z += held * (places[at * 3 + 2]! - z);
    }
    // The goal is pulled in when it lies beyond `free`: its distance then nears the limb's length as 1 − e^−x, continuous
    // in value and slope, so that the middle joint slows down instead of snapping straight. Up to the extension that the
    // performer's own angles give, or that a target asks for, no reach is softened.
    const asked = held > 0 ? targets!.reaches[at]! : 0;
    const free = Math.max(natural, (asked < 1 ? Math.max(SOFT_REACH, asked) : 1) * length);
    const distance = Math.sqrt((x - rx) * (x - rx) + (y - ry) * (y - ry) + (z - rz) * (z - rz));
    if (distance > free) {
      const left = length - free;
      const k = (left > 1e-9 ? free + left * (1 - Math.exp((free - distance) / left)) : free) / distance;
      x = rx + k * (x - rx);
      y = ry + k * (y - ry);
      z = rz + k * (z - rz);
    }
    const missed = (x - ex) * (x - ex) + (y - ey) * (y - ey) + (z - ez) * (z - ez);
    if (held === 0 && missed <= MET * length * (MET * length)) return;
    goal[0] = x;
    goal[1] = y;
    goal[2] = z;
    rotateVec(hinge, 0, rotations, dstUpper * 4, hinges, limb.limb * 3);
    solveTwoBone(positions, root, middle, end, goal, 0, hinge, 0, turns, scratch);
    mulQuat(rotations, dstUpper * 4, turns, 0, rotations, dstUpper * 4);
    mulQuat(rotations, dstLower * 4, turns, 4, rotations, dstLower * 4);
    if (held > 0 && targets!.middleWeights[at]! > 0) this.turnMiddle(limb, root, middle, targets!, at);
  }

  /** Turns a solved limb about the line from its root to its goal, its middle joint towards where it should be. */
  private turnMiddle(
    { dstUpper, dstLower }: LimbPlan,
    root: number,
    middle: number,
    targets: LimbTargets,
    at: number,
  ): void {
    const { worldRotations: rotations, worldPositions: positions, vec, goal, hinge, turns, quatA } = this;
    const { middles, middleWeights } = targets;
    subVec(vec, 0, positions, middle, positions, root);
    rotateVec(vec, 0, turns, 0, vec, 0);
    subVec(goal, 0, goal, 0, positions, root);
    const size = Math.sqrt(goal[0]! * goal[0]! + goal[1]! * goal[1]! + goal[2]! * goal[2]!);
    if (size < 1e-9) return;
    const x = goal[0]! / size;
    const y = goal[1]! / size;
    const z = goal[2]! / size;
    subVec(hinge, 0, middles, at * 3, positions, root);
    // Sine and cosine of the angle between the two, seen along the line.
    const along = (vec[0]! * x + vec[1]! * y + vec[2]! * z) * (hinge[0]! * x + hinge[1]! * y + hinge[2]! * z);
    const cosine = vec[0]! * hinge[0]! + vec[1]! * hinge[1]! + vec[2]! * hinge[2]! - along;
    const sine =
      x * (vec[1]! * hinge[2]! - vec[2]! * hinge[1]!) +
      y * (vec[2]! * hinge[0]! - vec[0]! * hinge[2]!) +
      z * (vec[0]! * hinge[1]! - vec[1]! * hinge[0]!);
    const half = 0.5 * middleWeights[at]! * Math.atan2(sine, cosine);
    const s = Math.sin(half);
    quatA[0] = x * s;
    quatA[1] = y * s;
    quatA[2] = z * s;
    quatA[3] = Math.cos(half);
    mulQuat(rotations, dstUpper * 4, quatA, 0, rotations, dstUpper * 4);
    mulQuat(rotations, dstLower * 4, quatA, 0, rotations, dstLower * 4);
  }

  /** Turns hand or foot to its target; toes that the performer turns go along. */
  private turnEnd({ dstEnd, dstToes }: LimbPlan, targets: LimbTargets, at: number): void {
    const { worldRotations: rotations, quatA } = this;
    const { kinds } = this.plan;
    copyQuat(quatA, 0, rotations, dstEnd * 4);
    const { rotations: wanted, rotationWeights } = targets;
    slerpQuatBy(rotations, dstEnd * 4, rotations, dstEnd * 4, wanted, at * 4, rotationWeights, at);
    if (dstToes < 0 || kinds[dstToes] === REST) return;
    mulInverseQuat(quatA, 0, quatA, 0, rotations, dstToes * 4);
    mulQuat(rotations, dstToes * 4, rotations, dstEnd * 4, quatA, 0);
  }

  private turnToes({ limb, dstToes }: LimbPlan, joints: Int16Array, targets: LimbTargets, f: number): void {
    const { worldRotations: rotations } = this;
    const at = f * 2 + limb;
    const { toeRotations, toeWeights } = targets;
    if (toeWeights[at] === 0) return;
    slerpQuatBy(rotations, dstToes * 4, rotations, dstToes * 4, toeRotations, at * 4, toeWeights, at);
    this.settle(joints);
  }

  private writeLocals(out: Clip, k: number): void {
    const { dstParents, worldRotations: rotations, worldPositions: positions, vec, dstCount, plan } = this;
    const { written, moved } = this.lists;
    const to = out.rotations;
    const base = k * dstCount * 4;
    for (let i = 0; i < written.length; i++) {
      const j = written[i]!;
      writeRotation(to, base + j * 4, rotations, dstParents[j]! * 4, j * 4);
    }
    const { translationJoints } = plan;
    for (let i = 0; i < moved.length; i++) {
      const m = moved[i]!;
      const at = (k * translationJoints.length + m) * 3;
      const j = translationJoints[m]!;
      const p = dstParents[j]!;
      vec[0] = positions[j * 3]!;
      vec[1] = positions[j * 3 + 1]!;
      vec[2] = positions[j * 3 + 2]!;
      if (p >= 0) {
        subVec(vec, 0, vec, 0, positions, p * 3);
        rotateVecInverse(vec, 0, rotations, p * 4, vec, 0);
      }
      out.translations[at] = vec[0]!;
      out.translations[at + 1] = vec[1]!;
      out.translations[at + 2] = vec[2]!;
    }
  }
}

/** World rotation of a joint from its parent's and from its local one in a clip; `p` is negative for a root. */
function readRotation(world: Float64Array, o: number, p: number, local: Float32Array, at: number): void {
  const bx = local[at]!;
  const by = local[at + 1]!;
  const bz = local[at + 2]!;
  const bw = local[at + 3]!;
  if (p < 0) {
    world[o] = bx;
    world[o + 1] = by;
    world[o + 2] = bz;
    world[o + 3] = bw;
    return;
  }
  const ax = world[p]!;
  const ay = world[p + 1]!;
  const az = world[p + 2]!;
  const aw = world[p + 3]!;
  world[o] = aw * bx + ax * bw + ay * bz - az * by;
  world[o + 1] = aw * by - ax * bz + ay * bw + az * bx;
  world[o + 2] = aw * bz + ax * by - ay * bx + az * bw;
  world[o + 3] = aw * bw - ax * bx - ay * by - az * bz;
}

/** The reverse: local = parent⁻¹ · world, into a clip. */
function writeRotation(local: Float32Array, at: number, world: Float64Array, p: number, j: number): void {
  const bx = world[j]!;
  const by = world[j + 1]!;
  const bz = world[j + 2]!;
  const bw = world[j + 3]!;
  if (p < 0) {
    local[at] = bx;
    local[at + 1] = by;
    local[at + 2] = bz;
    local[at + 3] = bw;
    return;
  }
  const ax = -world[p]!;
  const ay = -world[p + 1]!;
  const az = -world[p + 2]!;
  const aw = world[p + 3]!;
  local[at] = aw * bx + ax * bw + ay * bz - az * by;
  local[at + 1] = aw * by - ax * bz + ay * bw + az * bx;
  local[at + 2] = aw * bz + ax * by - ay * bx + az * bw;
  local[at + 3] = aw * bw - ax * bx - ay * by - az * bz;
}
