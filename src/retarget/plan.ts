import { legLength } from '../alignment/alignment.ts';
import { RigproofError } from '../errors.ts';
import { invertQuat, mulInverseQuat, mulQuat, rotateVecInverse } from '../math/quat.ts';
import { addVec, distanceVec, normalizeVec, scaleVec, subVec } from '../math/vec.ts';
import { type Role, sidedRole } from '../pairing/roles.ts';
import { LIMB_PARTS, LIMBS, type Limb } from '../skeleton/limb.ts';
import { isWithin, restWorldPose, type Skeleton, type WorldPose } from '../skeleton/skeleton.ts';
import type { Actor } from './actor.ts';
import { type ChainPair, chooseDrivers, type Driver } from './drivers.ts';
import { solveTree } from './solve-tree.ts';

export interface RetargetOptions {
  /** 0: a limb keeps the performer's angles; 1: its end reaches where the performer's does, scaled to the limb. */
  reach: Readonly<Record<Limb, number>>;
  /** Target joints that stay at rest, relative to what carries them, whatever the clip does. */
  hold: readonly number[];
  /** Target joints that ride with the body part that is nearest to them in the rest pose. */
  follow: readonly number[];
  /** Chains paired by hand. They make a motion even where a figure has no hips. */
  chains: readonly ChainPair[];
}

export const RETARGET_DEFAULTS: RetargetOptions = {
  reach: { leftLeg: 1, rightLeg: 1, leftArm: 1, rightArm: 1 },
  hold: [],
  follow: [],
  chains: [],
};

/** How a target joint gets its world rotation. */
export const REST = 0;
export const DRIVEN = 1;
export const BLENDED = 2;
export const TWISTED = 3;

/** Knees and elbows flex by 140 to 150 degrees (Soucie et al. 2011). */
const FOLDED_COSINE = Math.cos((150 * Math.PI) / 180);

/** One limb, source and target, in joint indices; -1 where there is none. */
export interface LimbPlan {
  limb: number;
  srcUpper: number;
  srcLower: number;
  /** Foot or hand joint, or -1: then the end is `srcEnds` in the frame of the lower joint. */
  srcEnd: number;
  dstUpper: number;
  dstLower: number;
  dstEnd: number;
  dstToes: number;
  /** Whether hand or foot stays at rest relative to the limb. */
  endHeld: boolean;
  /** Target limb length over source limb length. */
  ratio: number;
  /** Length of the target limb, metres. */
  length: number;
  /** From its root to its end when it is folded to 150 degrees, and all the way, metres. */
  folded: number;
  shortest: number;
  reach: number;
  /** Joints below the upper one in the solve tree, parents first; and those below the toes. */
  below: Int16Array;
  belowToes: Int16Array;
}

/** A joint that takes a share of the twist between two others. */
export interface TwistPlan {
  joint: number;
  /** Frame in which the twist is measured, and the joint whose rotation in it is measured. */
  inner: number;
  outer: number;
  /** The joint that the twisted one follows otherwise. */
  carrier: number;
  /** Rotation of `outer` in `inner` where the twist is zero, inverted: upper segments in the canonical posture, lower ones at rest. */
  undo: Float64Array;
  /** Long axis in the frame of the carrier, unit. */
  axis: Float64Array;
  /** Share of the measured twist that is added on top of the carrier's rotation; negative takes it back. */
  share: number;
}

/** Everything that is known before the first frame. Read-only, shared between threads of work. */
export interface RetargetPlan {
  source: Actor;
  target: Actor;
  /** Source joints whose world transforms are needed, parents first. */
  srcNeeded: Int16Array;
  /** Target leg length over source leg length. */
  scale: number;
  /** Pelvis height: target ankle height + scale · (source pelvis height − source ankle height). */
  srcGround: number;
  dstGround: number;
  srcPelvis: Int16Array;
  /** Midpoint of the thigh joints in the frame of the target's hips. */
  pelvisOffset: Float64Array;
  dstHips: number;
  solveParents: Int16Array;
  order: Int16Array;
  /** REST, DRIVEN, BLENDED or TWISTED, a target joint. */
  kinds: Uint8Array;
  /** Source joints that turn target joint j, and their weights: those from `driverStarts[j]` to before `driverStarts[j + 1]`. */
  driverStarts: Int16Array;
  driverJoints: Int16Array;
  driverWeights: Float64Array;
  /** DRIVEN: world = source world · this. BLENDED: world = delta · this. xyzw a joint. */
  offsets: Float64Array;
  /** posture⁻¹ of each source joint, for the deltas of BLENDED joints. */
  srcUndo: Float64Array;
  /** Rest rotation and offset in the frame of the solve parent. */
  restRotations: Float64Array;
  restOffsets: Float64Array;
  twists: TwistPlan[];
  /** Index into `twists` a joint, -1 for most. */
  twistOf: Int16Array;
  limbs: LimbPlan[];
  /** Target joints whose translation is written: hips, and parts that hang elsewhere in the file. */
  translationJoints: Int16Array;
}

/**
 * Compiles everything that a frame needs.
 *
 * Throws RETARGET_NO_HIPS when either figure has no hips and no chains are paired, RETARGET_NOTHING_PAIRED when the two share no other role.
 */
export function compileRetarget(source: Actor, target: Actor, options: Partial<RetargetOptions> = {}): RetargetPlan {
  const { hold, follow, chains } = { ...RETARGET_DEFAULTS, ...options };
  const reach = { ...RETARGET_DEFAULTS.reach, ...options.reach };
  const base = findBase(source, target, chains);
  const drivers = chooseDrivers(source, target, chains, hold);
  if (base.byChains && !hold.includes(base.dst)) drivers[base.dst] ??= [{ joint: base.src, weight: 1 }];
  if (!base.byChains && drivers.filter((driver) => driver !== null).length < 2) {
    throw new RigproofError(
      'RETARGET_NOTHING_PAIRED',
      'Clip and character have no role but the hips in common.',
      {},
      {
        hint: 'Look at both with `rigproof inspect` and pair the joints in a mapping file.',
      },
    );
  }

  const dstRest = restWorldPose(target.skeleton);
  const tree = solveTree(target.skeleton, target.body, base.dst, follow);
  const dstCount = target.skeleton.jointCount;
  const srcPosture = source.alignment.posture;
  const dstPosture = target.alignment.posture;

  const srcUndo = new Float64Array(source.skeleton.jointCount * 4);
  for (let j = 0; j < source.skeleton.jointCount; j++) invertQuat(srcUndo, j * 4, srcPosture, j * 4);

  const kinds = new Uint8Array(dstCount);
  const allDrivers = drivers.flatMap((its) => its ?? []);
  const driverStarts = new Int16Array(dstCount + 1);
  const offsets = new Float64Array(dstCount * 4);
  drivers.forEach((its, j) => {
    driverStarts[j + 1] = driverStarts[j]! + (its?.length ?? 0);
    if (its === null) return;
    kinds[j] = its.length === 1 ? DRIVEN : BLENDED;
    if (kinds[j] === DRIVEN) mulQuat(offsets, j * 4, srcUndo, its[0]!.joint * 4, dstPosture, j * 4);
    else offsets.set(dstPosture.subarray(j * 4, j * 4 + 4), j * 4);
  });

  const restRotations = new Float64Array(dstCount * 4);
  const restOffsets = new Float64Array(dstCount * 3);
  for (let j = 0; j < dstCount; j++) {
    const p = tree.parents[j]!;
    if (p < 0) {
      restRotations.set(dstRest.rotations.subarray(j * 4, j * 4 + 4), j * 4);
      restOffsets.set(dstRest.positions.subarray(j * 3, j * 3 + 3), j * 3);
    } else {
      mulInverseQuat(restRotations, j * 4, dstRest.rotations, p * 4, dstRest.rotations, j * 4);
      subVec(restOffsets, j * 3, dstRest.positions, j * 3, dstRest.positions, p * 3);
      rotateVecInverse(restOffsets, j * 3, dstRest.rotations, p * 4, restOffsets, j * 3);
    }
  }

  const twists = planTwists(target, dstRest, tree.parents, kinds);
  const twistOf = new Int16Array(dstCount).fill(-1);
  twists.forEach((twist, i) => {
    kinds[twist.joint] = TWISTED;
    twistOf[twist.joint] = i;
  });

  const limbs = planLimbs(source, target, tree.parents, tree.order, reach, hold);
  const srcPelvis = base.byChains ? Int16Array.of(base.src) : pelvisJoints(source);
  const dstPelvis = base.byChains ? Int16Array.of(base.dst) : pelvisJoints(target);
  const dstHips = base.dst;
  const pelvisOffset = new Float64Array(3);
  for (const j of dstPelvis) addVec(pelvisOffset, 0, pelvisOffset, 0, dstRest.positions, j * 3);
  scaleVec(pelvisOffset, 0, pelvisOffset, 0, 1 / dstPelvis.length);
  subVec(pelvisOffset, 0, pelvisOffset, 0, dstRest.positions, dstHips * 3);
  rotateVecInverse(pelvisOffset, 0, dstRest.rotations, dstHips * 4, pelvisOffset, 0);

  const translationJoints = new Set([dstHips, ...tree.moved]);
  return {
    source,
    target,
    srcNeeded: neededJoints(source, drivers, limbs, [base.src, ...srcPelvis]),
    ...base.size,
    srcPelvis,
    pelvisOffset,
    dstHips,
    solveParents: tree.parents,
    order: tree.order,
    kinds,
    driverStarts,
    driverJoints: Int16Array.from(allDrivers, ({ joint }) => joint),
    driverWeights: Float64Array.from(allDrivers, ({ weight }) => weight),
    offsets,
    srcUndo,
    restRotations,
    restOffsets,
    twists,
    twistOf,
    limbs,
    translationJoints: Int16Array.from([...translationJoints].sort((a, b) => a - b)),
  };
}

/** The pair of joints that places the figure, and how their places correspond. */
interface Base {
  src: number;
  dst: number;
  /** No hips on one side: the roots above the first chains. */
  byChains: boolean;
  size: Pick<RetargetPlan, 'scale' | 'srcGround' | 'dstGround'>;
}

function findBase(source: Actor, target: Actor, chains: readonly ChainPair[]): Base {
  const srcHips = source.body.roles.hips;
  const dstHips = target.body.roles.hips;
  if (srcHips !== undefined && dstHips !== undefined) {
    const size = {
      scale: sizeRatio(source, target),
      srcGround: meanOf(source.alignment.ankleHeights),
      dstGround: meanOf(target.alignment.ankleHeights),
    };
    return { src: srcHips, dst: dstHips, byChains: false, size };
  }
  const chain = chains.find(({ source: a, target: b }) => a.length > 0 && b.length > 0);
  if (!chain) {
    throw new RigproofError(
      'RETARGET_NO_HIPS',
      `No joint of the ${srcHips === undefined ? 'clip' : 'character'} is paired as the hips.`,
      {},
      {
        hint: 'Name the joint that carries spine and thighs in the mapping: "hips": "<joint name>". For a body that is not human, pair chains there.',
      },
    );
  }
  const src = srcHips ?? rootOf(source.skeleton, chain.source[0]!);
  const dst = dstHips ?? rootOf(target.skeleton, chain.target[0]!);
  const a = restWorldPose(source.skeleton).positions;
  const b = restWorldPose(target.skeleton).positions;
  const lengths = (positions: Float64Array, side: 'source' | 'target'): number =>
    chains.reduce((sum, pair) => sum + chainLength(positions, pair[side]), 0);
  const srcLength = lengths(a, 'source');
  const dstLength = lengths(b, 'target');
  const scale = srcLength > 0 && dstLength > 0 ? dstLength / srcLength : sizeRatio(source, target);
  return { src, dst, byChains: true, size: { scale, srcGround: a[src * 3 + 1]!, dstGround: b[dst * 3 + 1]! } };
}

function rootOf({ parents }: Skeleton, joint: number): number {
  let j = joint;
  while (parents[j]! >= 0) j = parents[j]!;
  return j;
}

function chainLength(positions: Float64Array, chain: readonly number[]): number {
  return chain.reduce(
    (sum, joint, i) => (i === 0 ? 0 : sum + distanceVec(positions, chain[i - 1]! * 3, positions, joint * 3)),
    0,
  );
}

function meanOf(values: Float64Array): number {
  return values.reduce((sum, value) => sum + value, 0) / values.length;
}

/** Size of the target over that of the source: by the legs, or by standing height where one has none. */
function sizeRatio(source: Actor, target: Actor): number {
  const src = legLength(source.alignment);
  const dst = legLength(target.alignment);
  if (src > 0 && dst > 0) return dst / src;
  const height = ({ body }: Actor): number => body.frame.height * body.frame.metresPerUnit;
  return height(target) / height(source);
}

/** The joints whose midpoint is the pelvis: both thighs, or the hips where a thigh is missing. */
function pelvisJoints({ body }: Actor): Int16Array {
  const { leftUpperLeg, rightUpperLeg, hips } = body.roles;
  if (leftUpperLeg === undefined || rightUpperLeg === undefined) return Int16Array.of(hips!);
  return Int16Array.of(leftUpperLeg, rightUpperLeg);
}

function planLimbs(
  source: Actor,
  target: Actor,
  solveParents: Int16Array,
  order: Int16Array,
  reach: Readonly<Record<Limb, number>>,
  hold: readonly number[],
): LimbPlan[] {
  const plans: LimbPlan[] = [];
  LIMBS.forEach((limb, i) => {
    const { side, kind, upper, lower, end } = LIMB_PARTS[limb];
    const joint = (actor: Actor, role: Role): number => actor.body.roles[role] ?? -1;
    const plan = {
      limb: i,
      srcUpper: joint(source, sidedRole(side, upper)),
      srcLower: joint(source, sidedRole(side, lower)),
      srcEnd: joint(source, sidedRole(side, end)),
      dstUpper: joint(target, sidedRole(side, upper)),
      dstLower: joint(target, sidedRole(side, lower)),
      dstEnd: joint(target, sidedRole(side, end)),
      dstToes: kind === 'leg' ? joint(target, sidedRole(side, 'Toes')) : -1,
      endHeld: false,
    };
    if (hold.includes(plan.dstToes)) plan.dstToes = -1;
    plan.endHeld = hold.includes(plan.dstEnd);
    const length = (actor: Actor): number => {
      const lengths = actor.alignment.limbLengths;
      return lengths[i * 2 + 1]! > 0 ? lengths[i * 2]! + lengths[i * 2 + 1]! : 0;
    };
    const [first, second] = [target.alignment.limbLengths[i * 2]!, target.alignment.limbLengths[i * 2 + 1]!];
    const srcLength = length(source);
    const dstLength = length(target);
    if (plan.dstUpper < 0 || plan.dstLower < 0 || dstLength === 0) return;
    // A limb of which a part is held cannot be led.
    if (hold.includes(plan.dstUpper) || hold.includes(plan.dstLower)) return;
    const below = (joint: number): Int16Array =>
      order.filter((j) => joint >= 0 && j !== joint && hangsBelow(solveParents, joint, j));
    plans.push({
      ...plan,
      ratio: srcLength > 0 ? dstLength / srcLength : 0,
      length: dstLength,
      folded: Math.sqrt(first * first + second * second + 2 * first * second * FOLDED_COSINE),
      shortest: Math.abs(first - second),
      reach: srcLength > 0 && plan.srcUpper >= 0 && plan.srcLower >= 0 ? reach[limb] : 0,
      below: below(plan.dstUpper),
      belowToes: below(plan.dstToes),
    });
  });
  return plans;
}

function hangsBelow(parents: Int16Array, ancestor: number, joint: number): boolean {
  for (let j = joint; j >= 0; j = parents[j]!) if (j === ancestor) return true;
  return false;
}

/** Source joints that drive something, with everything above them. */
function neededJoints(
  source: Actor,
  drivers: readonly (readonly Driver[] | null)[],
  limbs: readonly LimbPlan[],
  others: readonly number[],
): Int16Array {
  const needed = new Uint8Array(source.skeleton.jointCount);
  const need = (joint: number): void => {
    for (let j = joint; j >= 0 && !needed[j]; j = source.skeleton.parents[j]!) needed[j] = 1;
  };
  for (const its of drivers) for (const { joint } of its ?? []) need(joint);
  for (const limb of limbs) {
    need(limb.srcUpper);
    need(limb.srcLower);
    need(limb.srcEnd);
  }
  for (const j of others) need(j);
  return Int16Array.from([...needed.keys()].filter((j) => needed[j]));
}

/**
 * Twist joints. Along a forearm or shin the twist of hand or foot grows from 0 at the near end to 1 at the far end;
 * along an upper arm or thigh the segment's own twist, seen from what carries it, does the same.
 */
function planTwists(target: Actor, rest: WorldPose, solveParents: Int16Array, kinds: Uint8Array): TwistPlan[] {
  const { skeleton, body, alignment } = target;
  const plans: TwistPlan[] = [];
  for (const helper of body.helpers) {
    if (helper.kind !== 'twist' || helper.of === undefined || kinds[helper.joint] !== REST) continue;
    const segment = body.roles[helper.of];
    if (segment === undefined || !isWithin(skeleton, segment, helper.joint)) continue;
    const limb = LIMBS.find((name) => {
      const { side, upper, lower } = LIMB_PARTS[name];
      return helper.of === sidedRole(side, upper) || helper.of === sidedRole(side, lower);
    });
    if (limb === undefined || solveParents[helper.joint] !== segment) continue;
    const { side, upper, lower, end } = LIMB_PARTS[limb];
    const isUpper = helper.of === sidedRole(side, upper);
    const next = body.roles[sidedRole(side, isUpper ? lower : end)];
    const inner = isUpper ? solveParents[segment]! : segment;
    const outer = isUpper ? segment : next;
    if (next === undefined || outer === undefined || inner < 0) continue;
    const undo = new Float64Array(4);
    // The skin of forearm and shin is bound untwisted at rest. An arm swings far from there: a T-pose is the middle of its way.
    const zero = isUpper ? alignment.posture : rest.rotations;
    mulInverseQuat(undo, 0, zero, inner * 4, zero, outer * 4);
    invertQuat(undo, 0, undo, 0);
    const axis = new Float64Array(3);
    if (distanceVec(rest.positions, next * 3, rest.positions, segment * 3) === 0) continue;
    subVec(axis, 0, rest.positions, next * 3, rest.positions, segment * 3);
    normalizeVec(axis, 0);
    rotateVecInverse(axis, 0, rest.rotations, segment * 4, axis, 0);
    const share = helper.share ?? 0.5;
    plans.push({ joint: helper.joint, inner, outer, carrier: segment, undo, axis, share: isUpper ? share - 1 : share });
  }
  return plans;
}
