import { copyQuat, mulInverseQuat, mulQuat, rotateVec, rotateVecInverse, slerpQuat, twistOf } from '../math/quat.ts';
import { createTwoBoneScratch, solveTwoBone } from '../math/two-bone.ts';
import { addVec, distanceVec, lerpVec, subVec } from '../math/vec.ts';
import { type Clip, createClip } from '../skeleton/clip.ts';
import type { LimbTargets } from './limb-targets.ts';
import { BLENDED, DRIVEN, type LimbPlan, REST, type RetargetPlan, TWISTED } from './plan.ts';

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
  /** World rotations and positions of the target after the last `frame`, xyzw and xyz. */
  readonly worldRotations: Float64Array;
  readonly worldPositions: Float64Array;
  /**
   * Retargets frame `f` of `src` into frame `k` of `out` (made by `createTargetClip`). With `targets`, limb ends go
   * where frame `f` of it says. Neither checks nor allocates.
   */
  frame(src: Clip, f: number, out: Clip, k: number, targets?: LimbTargets): void;
}

/** An empty clip for a plan's target. */
export function createTargetClip(plan: RetargetPlan, name: string, frameCount: number, frameDuration: number): Clip {
  return createClip(name, frameCount, frameDuration, plan.target.skeleton.jointCount, plan.translationJoints);
}

export function createRetargeter(plan: RetargetPlan): Retargeter {
  const { source, target, srcNeeded, solveParents, order, kinds, driverA, driverB, driverT, offsets, limbs } = plan;
  const srcCount = source.skeleton.jointCount;
  const dstCount = target.skeleton.jointCount;
  const srcParents = source.skeleton.parents;
  const dstParents = target.skeleton.parents;

  const srcTranslations = source.skeleton.restTranslations.slice();
  const srcLocal = new Float64Array(srcCount * 4);
  const srcRotations = new Float64Array(srcCount * 4);
  const srcPositions = new Float64Array(srcCount * 3);
  const rotations = new Float64Array(dstCount * 4);
  // One extra point a limb: the end of a limb that has no joint there.
  const positions = new Float64Array((dstCount + 4) * 3);
  const quatA = new Float64Array(4);
  const quatB = new Float64Array(4);
  const vec = new Float64Array(3);
  const goal = new Float64Array(3);
  const hinge = new Float64Array(3);
  const turns = new Float64Array(8);
  const scratch = createTwoBoneScratch();

  // Hips that nothing turns stay as they are.
  copyQuat(rotations, plan.dstHips * 4, plan.restRotations, plan.dstHips * 4);

  function readSource(src: Clip, f: number): void {
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
    for (let i = 0; i < srcNeeded.length; i++) {
      const j = srcNeeded[i]!;
      const p = srcParents[j]!;
      const at = j * 4;
      srcLocal[at] = from[base + at]!;
      srcLocal[at + 1] = from[base + at + 1]!;
      srcLocal[at + 2] = from[base + at + 2]!;
      srcLocal[at + 3] = from[base + at + 3]!;
      if (p < 0) {
        copyQuat(srcRotations, at, srcLocal, at);
        srcPositions[j * 3] = srcTranslations[j * 3]!;
        srcPositions[j * 3 + 1] = srcTranslations[j * 3 + 1]!;
        srcPositions[j * 3 + 2] = srcTranslations[j * 3 + 2]!;
      } else {
        mulQuat(srcRotations, at, srcRotations, p * 4, srcLocal, at);
        rotateVec(srcPositions, j * 3, srcRotations, p * 4, srcTranslations, j * 3);
        addVec(srcPositions, j * 3, srcPositions, j * 3, srcPositions, p * 3);
      }
    }
  }

  /** World rotations of everything that the source turns. */
  function transferRotations(): void {
    for (let j = 0; j < dstCount; j++) {
      const kind = kinds[j]!;
      const at = j * 4;
      if (kind === DRIVEN) {
        mulQuat(rotations, at, srcRotations, driverA[j]! * 4, offsets, at);
      } else if (kind === BLENDED) {
        const a = driverA[j]! * 4;
        const b = driverB[j]! * 4;
        mulQuat(quatA, 0, srcRotations, a, plan.srcUndo, a);
        mulQuat(quatB, 0, srcRotations, b, plan.srcUndo, b);
        slerpQuat(quatA, 0, quatA, 0, quatB, 0, driverT[j]!);
        mulQuat(rotations, at, quatA, 0, offsets, at);
      }
    }
  }

  /** Pelvis: the performer's, scaled about the floor; then the hips joint from it. */
  function placeHips(shift: Float64Array | undefined, at: number): void {
    const { srcPelvis, scale, pelvisOffset, dstHips } = plan;
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

  /** Rotation of a joint that is not driven, and the position of any joint, from its parent in the solve tree. */
  function settle(j: number): void {
    const p = solveParents[j]!;
    const at = j * 4;
    const kind = kinds[j]!;
    if (p < 0) {
      if (j !== plan.dstHips) {
        if (kind !== DRIVEN && kind !== BLENDED) copyQuat(rotations, at, plan.restRotations, at);
        positions[j * 3] = plan.restOffsets[j * 3]!;
        positions[j * 3 + 1] = plan.restOffsets[j * 3 + 1]!;
        positions[j * 3 + 2] = plan.restOffsets[j * 3 + 2]!;
      }
      return;
    }
    if (kind === TWISTED) twist(j);
    else if (kind !== DRIVEN && kind !== BLENDED) mulQuat(rotations, at, rotations, p * 4, plan.restRotations, at);
    rotateVec(positions, j * 3, rotations, p * 4, plan.restOffsets, j * 3);
    addVec(positions, j * 3, positions, j * 3, positions, p * 3);
  }

  function twist(j: number): void {
    const { inner, outer, carrier, undo, axis, share } = plan.twists[plan.twistOf[j]!]!;
    mulInverseQuat(quatA, 0, rotations, inner * 4, rotations, outer * 4);
    // Along an upper segment the twist is seen in its own frame, along a lower one in the frame it grows from.
    if (outer === carrier) mulQuat(quatA, 0, undo, 0, quatA, 0);
    else mulQuat(quatA, 0, quatA, 0, undo, 0);
    const angle = twistOf(quatB, 0, quatA, 0, axis[0]!, axis[1]!, axis[2]!) * share * 0.5;
    const s = Math.sin(angle);
    quatB[0] = axis[0]! * s;
    quatB[1] = axis[1]! * s;
    quatB[2] = axis[2]! * s;
    quatB[3] = Math.cos(angle);
    mulQuat(quatB, 0, rotations, carrier * 4, quatB, 0);
    mulQuat(rotations, j * 4, quatB, 0, plan.restRotations, j * 4);
  }

  function sourceEnd(limb: LimbPlan): void {
    if (limb.srcEnd >= 0) {
      vec[0] = srcPositions[limb.srcEnd * 3]!;
      vec[1] = srcPositions[limb.srcEnd * 3 + 1]!;
      vec[2] = srcPositions[limb.srcEnd * 3 + 2]!;
    } else {
      rotateVec(vec, 0, srcRotations, limb.srcLower * 4, source.alignment.limbEnds, limb.limb * 3);
      addVec(vec, 0, vec, 0, srcPositions, limb.srcLower * 3);
    }
  }

  function solveLimb(limb: LimbPlan, targets: LimbTargets | undefined, f: number): void {
    const { dstUpper, dstLower, dstEnd } = limb;
    const root = dstUpper * 3;
    const middle = dstLower * 3;
    let end = dstEnd * 3;
    if (dstEnd < 0) {
      end = (dstCount + limb.limb) * 3;
      rotateVec(positions, end, rotations, dstLower * 4, target.alignment.limbEnds, limb.limb * 3);
      addVec(positions, end, positions, end, positions, middle);
    }
    const held = targets ? targets.positionWeights[f * 4 + limb.limb]! : 0;
    const turned = targets && dstEnd >= 0 && !limb.endHeld ? targets.rotationWeights[f * 4 + limb.limb]! : 0;
    if (limb.reach === 0 && held === 0 && turned === 0) return;

    // Extension that the performer's own angles give: up to there no reach is softened.
    const natural = distanceVec(positions, root, positions, end);
    goal[0] = positions[end]!;
    goal[1] = positions[end + 1]!;
    goal[2] = positions[end + 2]!;
    if (limb.reach > 0) {
      sourceEnd(limb);
      subVec(vec, 0, vec, 0, srcPositions, limb.srcUpper * 3);
      vec[0] = positions[root]! + limb.ratio * vec[0]!;
      vec[1] = positions[root + 1]! + limb.ratio * vec[1]!;
      vec[2] = positions[root + 2]! + limb.ratio * vec[2]!;
      lerpVec(goal, 0, goal, 0, vec, 0, limb.reach);
    }
    if (held > 0) lerpVec(goal, 0, goal, 0, targets!.positions, (f * 4 + limb.limb) * 3, held);
    soften(root, Math.max(natural, SOFT_REACH * limb.length), limb.length);

    if (held > 0 || distanceVec(goal, 0, positions, end) > MET * limb.length) {
      rotateVec(hinge, 0, rotations, dstUpper * 4, target.alignment.hinges, limb.limb * 3);
      solveTwoBone(positions, root, middle, end, goal, 0, hinge, 0, turns, scratch);
      mulQuat(rotations, dstUpper * 4, turns, 0, rotations, dstUpper * 4);
      mulQuat(rotations, dstLower * 4, turns, 4, rotations, dstLower * 4);
    }
    if (turned > 0) turnEnd(limb, targets!, f, turned);
    for (let i = 0; i < limb.below.length; i++) settle(limb.below[i]!);
    if (targets && limb.dstToes >= 0) turnToes(limb, targets, f);
  }

  /** Turns hand or foot to its target; toes that the performer turns go along. */
  function turnEnd({ limb, dstEnd, dstToes }: LimbPlan, targets: LimbTargets, f: number, weight: number): void {
    copyQuat(quatA, 0, rotations, dstEnd * 4);
    slerpQuat(rotations, dstEnd * 4, rotations, dstEnd * 4, targets.rotations, (f * 4 + limb) * 4, weight);
    if (dstToes < 0 || kinds[dstToes] === REST) return;
    mulInverseQuat(quatA, 0, quatA, 0, rotations, dstToes * 4);
    mulQuat(rotations, dstToes * 4, rotations, dstEnd * 4, quatA, 0);
  }

  function turnToes({ limb, dstToes, belowToes }: LimbPlan, targets: LimbTargets, f: number): void {
    const at = f * 2 + limb;
    const weight = targets.toeWeights[at]!;
    if (weight === 0) return;
    slerpQuat(rotations, dstToes * 4, rotations, dstToes * 4, targets.toeRotations, at * 4, weight);
    for (let i = 0; i < belowToes.length; i++) settle(belowToes[i]!);
  }

  /**
   * Pulls the goal in when it lies beyond `free` of the limb's length: the distance then nears the length as
   * 1 − e^−x, continuous in value and slope, so that the middle joint slows down instead of snapping straight.
   */
  function soften(root: number, free: number, length: number): void {
    const distance = distanceVec(goal, 0, positions, root);
    if (distance <= free || distance === 0) return;
    const left = length - free;
    const eased = left > 1e-9 ? free + left * (1 - Math.exp((free - distance) / left)) : free;
    lerpVec(goal, 0, positions, root, goal, 0, eased / distance);
  }

  function writeLocals(out: Clip, k: number): void {
    const to = out.rotations;
    for (let j = 0, at = k * dstCount * 4; j < dstCount; j++, at += 4) {
      const p = dstParents[j]!;
      if (p < 0) copyQuat(quatA, 0, rotations, j * 4);
      else mulInverseQuat(quatA, 0, rotations, p * 4, rotations, j * 4);
      to[at] = quatA[0]!;
      to[at + 1] = quatA[1]!;
      to[at + 2] = quatA[2]!;
      to[at + 3] = quatA[3]!;
    }
    const moving = plan.translationJoints;
    for (let m = 0, at = k * moving.length * 3; m < moving.length; m++, at += 3) {
      const j = moving[m]!;
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

  return {
    plan,
    worldRotations: rotations,
    worldPositions: positions,
    frame(src, f, out, k, targets) {
      readSource(src, f);
      transferRotations();
      placeHips(targets?.rootShifts, f * 3);
      for (let i = 0; i < order.length; i++) settle(order[i]!);
      for (let i = 0; i < limbs.length; i++) solveLimb(limbs[i]!, targets, f);
      writeLocals(out, k);
    },
  };
}

/** Retargets a whole clip. The source clip is not touched. */
export function retargetClip(plan: RetargetPlan, src: Clip, targets?: LimbTargets): Clip {
  const out = createTargetClip(plan, src.name, src.frameCount, src.frameDuration);
  const retargeter = createRetargeter(plan);
  for (let f = 0; f < src.frameCount; f++) retargeter.frame(src, f, out, f, targets);
  return out;
}
